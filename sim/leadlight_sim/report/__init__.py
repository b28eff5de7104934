"""The report: the page of one rehearsal, with its drawings and the script that moves through the evening."""

from leadlight_sim.report.document import page, timeline_page
from leadlight_sim.report.figures import picture
