"""The command `key`: make a group's key, in a file that its owner alone may read."""

from __future__ import annotations

import argparse
import sys
from typing import Final

from leadlight.storage import make_key

_FORMAT: Final = """\
Every node of the group needs a copy of FILE that its owner alone may read (chmod 600), and --key-file FILE.

A key file is text: a key a line, as 32 to 64 hexadecimal digits, with its slot, 1 to 255, before it. What follows #
is a remark. Nodes send with the first key and accept them all. So keys are changed without a gap. Write the
new one below, in another slot, on every node. Then move it up on every node. Then take the old one out.
"""


class KeyCommand:
    """Makes keys."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the argument."""
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = _FORMAT
        parser.add_argument("file", metavar="FILE", help="the file to write; one that is there is left alone")

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Write the file and say what to do with it, never the key."""
        make_key(arguments.file)
        sys.stdout.write(f"{arguments.file}: a new key. Copy it to every node of the group, for its owner alone to\n")
        sys.stdout.write(f"read (chmod 600), and start each with --key-file {arguments.file}\n")
        return 0
