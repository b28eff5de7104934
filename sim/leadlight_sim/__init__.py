"""The simulator: the library's own leaders and followers, in virtual time, through a modelled Wi-Fi.

``load_scenario`` reads what a rehearsal is about, ``rehearse_evening`` runs it, and ``judge`` says what the crowd sees.
Your own asyncio player runs in ``leadlight_sim.testing``. Nothing is loaded before it is asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leadlight_sim.measures import AddedFlashes, FollowerScore, Percentiles, Rehearsal, Scores, Verdict, judge
    from leadlight_sim.measures import rehearse as rehearse_evening
    from leadlight_sim.scenario import Scenario, ScenarioError, load_scenario, load_shipped
    from leadlight_sim.timeline import (
        Cause,
        Mark,
        Timeline,
        TimelinePackets,
        TimelineSpans,
        TimelineWindow,
        WorstMoment,
    )

__all__ = [
    "AddedFlashes",
    "Cause",
    "FollowerScore",
    "Mark",
    "Percentiles",
    "Rehearsal",
    "Scenario",
    "ScenarioError",
    "Scores",
    "Timeline",
    "TimelinePackets",
    "TimelineSpans",
    "TimelineWindow",
    "Verdict",
    "WorstMoment",
    "judge",
    "load_scenario",
    "load_shipped",
    "rehearse_evening",
]

_PLACES = ("scenario", "timeline", "measures")
_OTHERWISE_CALLED = {"rehearse_evening": "rehearse"}


def __getattr__(name: str) -> Any:
    """Load a name of the face when it is first asked for: a list of commands must not wait for the simulator."""
    if name in __all__:
        called = _OTHERWISE_CALLED.get(name, name)
        for place in _PLACES:
            module = import_module(f"{__name__}.{place}")
            if hasattr(module, called):
                globals()[name] = getattr(module, called)
                return globals()[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
