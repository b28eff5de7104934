"""The report: the page of a rehearsal, with its drawings."""

from leadlight_sim.report.figures import picture
from leadlight_sim.report.page import page

__all__ = ["page", "picture"]
