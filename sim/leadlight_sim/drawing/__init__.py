"""Drawing: canvas, axes and pages, with nothing of what is drawn on them."""

from leadlight_sim.drawing.axes import CHARACTER_PX, Drawing, decade, decades, put_ticks, round_ticks, spread, time_axis
from leadlight_sim.drawing.canvas import (
    as_png,
    as_svg,
    in_both_widths,
    new_figure,
    new_sheet,
    place,
    rectangles,
    shorter,
    style,
)
from leadlight_sim.drawing.pages import rendered
from leadlight_sim.drawing.palette import (
    FAULT,
    GLOW,
    INK,
    LEFT_PX,
    LEVELS,
    LIMIT,
    MEANINGS,
    NAIVE,
    NIGHT,
    OURS,
    PAPER,
    RIGHT_PX,
    RULE,
    SHOW,
    SOFT,
    UNLIT,
    WIDTH,
    WORST,
    Tint,
)
from leadlight_sim.drawing.panels import LIMIT_AT, Gauge, Line, Mark, Panel, Scale, of_share, to_limit
from leadlight_sim.drawing.saving import check_chart, save_chart
from leadlight_sim.drawing.sheet import Area
