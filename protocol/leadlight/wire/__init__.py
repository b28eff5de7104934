"""The wire: messages as values, their bytes, what every field means, and tags that prove who sent them."""

from leadlight.wire.codec import (
    DELAY_LIMIT_NS,
    DELAYS_MAXIMUM,
    MAGIC,
    MARK_AGE_MAXIMUM_NS,
    MARKS_MAXIMUM,
    NAME_MAXIMUM_BYTES,
    Codec,
)
from leadlight.wire.framing import (
    ARRAY_MAXIMUM,
    DATAGRAM_MAXIMUM_BYTES,
    PREAMBLE_BYTES,
    U8,
    U16,
    U32,
    VERSION,
    Field,
    group_hash,
    key_slot,
    refuse_extension,
    refuse_map,
)
from leadlight.wire.layout import (
    BEHIND,
    FIELDS,
    MEANINGS,
    TABLES,
    Meaning,
    Part,
    hex_32,
    show_in_words,
    value_in_words,
    word,
)
from leadlight.wire.messages import Beacon, DelayReport, Echo, Mark, Message, SharedDelay, Sounding, Tally
from leadlight.wire.probes import (
    ENTRIES_MAXIMUM,
    PROBE_BYTES,
    PROBE_MAGIC,
    Answer,
    Call,
    Entry,
    GroupProbe,
    HostProbe,
    Presence,
    ProbeCodec,
)
from leadlight.wire.tags import KEY_MAXIMUM_BYTES, KEY_MINIMUM_BYTES, TAG_BYTES, UNKEYED_SLOT, KeyRing
