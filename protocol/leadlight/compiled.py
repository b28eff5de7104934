"""Whether the modules that every packet passes run as sources or were compiled when this distribution was built."""

from __future__ import annotations

from typing import Final

from leadlight import follower

IS_COMPILED: Final = not follower.__file__.endswith(".py")
