"""Readiness: what `leadlight check` finds of a host and of a group before a show, and whether that is a go."""

from leadlight.readiness.findings import Finding, Verdict, as_json, verdict_on
from leadlight.readiness.group import (
    Names,
    judge_cues,
    judge_datagrams,
    judge_followers,
    judge_leaders,
    judge_own_name,
    listening_lasts_ns,
)
from leadlight.readiness.host import HostFacts, KeyFacts, judge_content, judge_host, judge_key_file
from leadlight.readiness.listening import Heard, Listener
from leadlight.readiness.pixel_data import PIXEL_PORT, PixelFacts, judge_pixel_data
from leadlight.readiness.waking import EXACT_TIMER, ROUNDED_TIMER, SPIN, in_light
