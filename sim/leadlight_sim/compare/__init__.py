"""Compare: scenarios side by side on the same evenings, and which of their differences are real."""

from leadlight_sim.compare.comparing import (
    EVENINGS,
    EVENINGS_MAXIMUM,
    Comparison,
    Difference,
    Standing,
    Variant,
    compared,
    interval_of_median,
)
from leadlight_sim.compare.tables import print_tables, to_json

__all__ = [
    "EVENINGS",
    "EVENINGS_MAXIMUM",
    "Comparison",
    "Difference",
    "Standing",
    "Variant",
    "compared",
    "interval_of_median",
    "print_tables",
    "to_json",
]
