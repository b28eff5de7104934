"""Where datagrams come from and go to, as far as the core cares."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Final, TypeAlias

Address: TypeAlias = Hashable
"""An address as the network gave it: compared, stored and handed back, never looked into."""

GROUP: Final = None
"""The destination of a datagram for everyone."""
