"""Compare: scenarios side by side on the same evenings, which of their differences are real, and the figure of them."""

from leadlight_sim.compare.comparing import (
    EVENINGS,
    EVENINGS_MAXIMUM,
    Comparison,
    Variant,
    compared,
    interval_of_median,
)
from leadlight_sim.compare.tables import print_tables, to_json
