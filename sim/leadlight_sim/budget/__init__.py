"""The timing budget: how far apart pieces can be, by cause."""

from leadlight_sim.budget.sheet import Budget, Options, budget, to_json
from leadlight_sim.budget.tables import NOT_HERE, assumed, headline, sentences, sheets

__all__ = ["NOT_HERE", "Budget", "Options", "assumed", "budget", "headline", "sentences", "sheets", "to_json"]
