"""`python -m leadlight` is the command `leadlight`."""

from __future__ import annotations

import sys

from leadlight.commands import main

if __name__ == "__main__":
    sys.exit(main())
