"""Playback: which cue is in force, which frame is now, and how an error is removed without being seen."""

from leadlight.playback.content import Library, StoredShow, check_shows, key_meant
from leadlight.playback.fader import HOLDOVER_FADE_NS
from leadlight.playback.playhead import Moved, Playhead, Stretch
from leadlight.playback.recovery import (
    SLEW_RATE,
    BlendedRecovery,
    HoldRecovery,
    Recovery,
    Remedy,
    SlewOnlyRecovery,
    StepOnlyRecovery,
)
from leadlight.playback.stage import Shown, Stage
from leadlight.playback.stills import Still, stills_of

__all__ = [
    "HOLDOVER_FADE_NS",
    "SLEW_RATE",
    "BlendedRecovery",
    "HoldRecovery",
    "Library",
    "Moved",
    "Playhead",
    "Recovery",
    "Remedy",
    "Shown",
    "SlewOnlyRecovery",
    "Stage",
    "StepOnlyRecovery",
    "Still",
    "Stretch",
    "StoredShow",
    "check_shows",
    "key_meant",
    "stills_of",
]
