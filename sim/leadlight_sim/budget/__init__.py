"""The timing budget: what each cause costs the crowd, measured, what no clock has a say in, and the sheet that tells
both."""

from leadlight_sim.budget.measuring import SEEDS, measure
from leadlight_sim.budget.sheet import COPY_MBPS, Budget, budget, to_json
from leadlight_sim.budget.tables import NOT_HERE, assumed, headline, sentences, sheets
