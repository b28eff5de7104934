"""Fitting: what a recording says of its network, the air that is made of it, and how good that is."""

from leadlight_sim.fitting.air import Fit, fit, to_toml
from leadlight_sim.fitting.document import page
from leadlight_sim.fitting.goodness import Goodness, judge_fit
from leadlight_sim.fitting.refusals import FitError, check_observed
from leadlight_sim.fitting.tables import sheets
from leadlight_sim.fitting.words import assumed, findings, headline, longer, span_words, steadiness
