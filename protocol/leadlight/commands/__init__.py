"""The command `leadlight`: its words and help, one module a command, and what running ones print."""

from leadlight.commands.cli import main
from leadlight.commands.compiled import IS_COMPILED
from leadlight.commands.exits import EXIT_INTERRUPTED
from leadlight.commands.options import check_apart, check_company, duration_ns
