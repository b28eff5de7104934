"""The report: the page of a rehearsal, with its drawings."""

from leadlight_sim.report.document import page, timeline_page
from leadlight_sim.report.figures import picture
