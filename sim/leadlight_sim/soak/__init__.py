"""Soak: random evenings by the thousand, each held against every promise, and what breaks one made small."""
