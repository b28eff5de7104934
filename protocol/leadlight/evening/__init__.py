"""The evening: which shows there are, by manifest and running order, when each begins, and a leader that is given them
in time."""

from leadlight.evening.keeper import RENEWED_EVERY_NS, EveningKeeper
from leadlight.evening.manifest import (
    DIGEST_BYTES,
    Manifest,
    Part,
    PartFound,
    ShowDescription,
    ShowEntry,
    check_name,
    manifest_text,
    parse_manifest,
)
from leadlight.evening.running_order import RunningOrder, parse_running_order
from leadlight.evening.start import position_in_words, show_start, wait_in_words
