"""Whether an interface is Wi-Fi, and whether its radio dozes to save power, where the system tells."""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from typing import Final

from leadlight.net.interfaces import ask_kernel

SYSTEM_INTERFACES: Final = Path("/sys/class/net")
_SIGNS_OF_WIRELESS: Final = ("wireless", "phy80211")
"""Folders that Linux puts beside an interface of a radio: wireless extensions, and IEEE 802.11 drivers of today."""

# Linux wireless.h: SIOCGIWPOWER answers with a name of 16 bytes and a struct iw_param, whose `disabled` is a byte.
_SIOCGIWPOWER: Final = 0x8B2D
_IW_PARAM: Final = struct.Struct("@iBBH")
_IW_PARAM_AT: Final = 16
_SIOCGIWRATE: Final = 0x8B21
SIGNALS: Final = Path("/proc/net/wireless")


def is_wireless(name: str, system: Path = SYSTEM_INTERFACES) -> bool | None:
    """Return whether an interface is Wi-Fi; ``None`` where the system does not tell."""
    place = system / name
    if not name or not place.is_dir():
        return None
    return any((place / sign).exists() for sign in _SIGNS_OF_WIRELESS)


def saves_power(name: str) -> bool | None:
    """Return whether the radio of an interface dozes between beacons; ``None`` where the system does not tell."""
    if not sys.platform.startswith("linux"):
        return None
    answer = ask_kernel(name, _SIOCGIWPOWER)
    return None if answer is None else power_saving_of(answer)


def signal_dbm(name: str, table: Path = SIGNALS) -> int | None:
    """Return how strong the access point is heard by an interface, in dBm; ``None`` where the system does not tell."""
    try:
        lines = table.read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    for line in lines:
        label, colon, rest = line.partition(":")
        words = rest.split()
        if colon and label.strip() == name and len(words) > 2:
            level = int(float(words[2].rstrip(".")))
            return level if level < 0 else None  # above zero it is in units of the driver's own
    return None


def rate_bps(name: str) -> int | None:
    """Return at which rate an interface sends to its access point, in bits a second; ``None`` if that is not told."""
    if not sys.platform.startswith("linux"):
        return None
    answer = ask_kernel(name, _SIOCGIWRATE)
    if answer is None:
        return None
    rate, *_ = _IW_PARAM.unpack_from(answer, _IW_PARAM_AT)
    return rate if rate > 0 else None


def power_saving_of(answer: bytes) -> bool:
    """Return what the kernel's answer to ``SIOCGIWPOWER`` says."""
    _, _, disabled, _ = _IW_PARAM.unpack_from(answer, _IW_PARAM_AT)
    return not disabled
