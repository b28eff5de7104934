"""Delay distributions refuse what they cannot draw."""

from __future__ import annotations

import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.air.distributions import Fixed, Gamma


@pytest.mark.parametrize("delay_ns", [0.5, 1.0, -1, True, float("nan")])
def test_a_fixed_delay_is_whole_nanoseconds(delay_ns: float) -> None:
    with pytest.raises(ConfigurationError, match="whole number"):
        Fixed(delay_ns)  # type: ignore[arg-type]


@pytest.mark.parametrize("stages", [0, 1.5, 2.0])
def test_a_gamma_delay_has_whole_stages(stages: float) -> None:
    with pytest.raises(ConfigurationError, match="whole number"):
        Gamma(stages, 1_000.0)  # type: ignore[arg-type]
