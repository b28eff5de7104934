"""Lessons: what the notebooks share, so that whatever a reader tries shows something; sliders where there are any."""

from leadlight_sim.lessons.changing import apart, one_of, slide, within
