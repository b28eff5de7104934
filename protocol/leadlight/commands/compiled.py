"""Whether the modules that every packet passes run as sources or were compiled when this distribution was built."""

from __future__ import annotations

import sys
from typing import Final

from leadlight.follower import Follower

IS_COMPILED: Final = not str(sys.modules[Follower.__module__].__file__).endswith(".py")
