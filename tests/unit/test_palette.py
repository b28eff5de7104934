"""The page's colours: whatever means something different beside another is told apart, however the eye sees colour.

Colours are simulated as they are seen without one kind of cone (G. Machado, M. Oliveira and L. Fernandes, "A
physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15 (2009), severity 1), and as grey of
the same luminance. Two are held apart by what viewers need who see them as small marks (M. Stone, D. A. Szafir and
V. Setlur, "An engineering model for color difference as a function of size", Color Imaging Conference 2014): in CIELAB,
on each axis, three viewers of four tell marks of a size of 0.3 degrees apart, which is a key's swatch of 12 px at arm's
length.

Checked against two libraries, colour-science 0.4.7 and colorspacious 1.1.2: their matrices are these to the last digit,
their CIELAB is within 0.01 of it. By CIEDE2000, another measure, the two that are closest are 7.8 apart.
"""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt
import pytest

from leadlight_sim.drawing import LEVELS, MEANINGS, PAPER

Floats = npt.NDArray[np.float64]

# To linear RGB; from Machado and others, table 1.
SEEN = {
    "with every cone": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "grey": np.tile([0.2126729, 0.7151522, 0.0721750], (3, 1)),
}
# IEC 61966-2-1, to CIE XYZ under D65.
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = TO_XYZ.sum(axis=1)
VIEWERS, DEGREES = 0.75, 0.3
NOTICED = VIEWERS * (np.array([10.16, 10.68, 10.70]) + np.array([1.50, 3.08, 5.74]) / DEGREES)
"""Difference in L*, a* and b* that so many viewers notice at so many degrees: Stone and others, table 1."""


def cielab(colour: str, seen: str) -> Floats:
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    share = TO_XYZ @ np.clip(SEEN[seen] @ linear, 0, 1) / WHITE
    root = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("where", MEANINGS)
def test_what_means_something_different_is_told_apart(where: str, seen: str, theme: str) -> None:
    for one, other in combinations(MEANINGS[where], 2):
        apart = (cielab(getattr(one, theme), seen) - cielab(getattr(other, theme), seen)) / NOTICED
        assert np.linalg.norm(apart) >= 1, f"{one.name} and {other.name} are {np.linalg.norm(apart):.2f} of it apart"


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("seen", SEEN)
def test_the_further_a_piece_is_the_more_it_stands_out_from_the_paper(seen: str, theme: str) -> None:
    paper = cielab(getattr(PAPER, theme), seen)[0]
    out = [abs(cielab(getattr(level, theme), seen)[0] - paper) for level in LEVELS]
    assert all(nearer < further for nearer, further in pairwise(out))


def test_the_simulation_is_that_of_its_source() -> None:
    # White stays white, and of two colours that only missing cones tell apart nothing is left.
    for seen in SEEN:
        assert cielab("#ffffff", seen) == pytest.approx([100, 0, 0], abs=0.01)
    assert abs(cielab("#ff0000", "deuteranopia")[1]) < abs(cielab("#ff0000", "with every cone")[1]) / 3
    assert cielab("#8a8a8a", "grey") == pytest.approx(cielab("#8a8a8a", "with every cone"), abs=0.01)
