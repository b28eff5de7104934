"""What the kernel refuses."""

from __future__ import annotations

from leadlight.errors import LeadlightError


class KernelError(LeadlightError, RuntimeError):
    """An event was scheduled where no event can be, or the kernel was run where it cannot be."""
