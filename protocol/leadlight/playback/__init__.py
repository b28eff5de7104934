"""Playback: which cue is in force, which frame is now, how an error is removed without being seen, and which shows are
held."""

from leadlight.playback.content import FRAMES_MAXIMUM, Library, StoredShow, check_shows, key_meant
from leadlight.playback.fader import HOLDOVER_FADE_NS
from leadlight.playback.output_clock import OutputClock, OutputClockSettings, Steering
from leadlight.playback.playhead import Moved, Playhead, Stretch
from leadlight.playback.recovery import (
    SLEW_RATE,
    BlendedRecovery,
    Correction,
    History,
    HoldRecovery,
    Recovery,
    Remedy,
    SlewOnlyRecovery,
    StepOnlyRecovery,
)
from leadlight.playback.stage import STOP_CARRIED_INTERVALS, STOP_CARRIED_NS, AtTick, Shown, Stage
from leadlight.playback.stills import Still, stills_of
