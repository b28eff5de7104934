"""What packets took that did not have to wait behind the one before them.

A link is first in, first out. What is sent while a slow packet is under way comes right behind it, and how long it
would have taken by itself does not show. An air that is made of such delays has them wait once more. So each one that
came right behind another is given a delay that those took which had nobody before them, of at most what it took.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from leadlight.units import MICROSECOND
from leadlight_sim.recording import Way

RIGHT_BEHIND_NS: Final = 150 * MICROSECOND
"""What comes so soon after the one before it waited for it."""
FREE_SHARE: Final = 0.5
"""Where fewer than this go by themselves packets were sent more densely than they crossed: nothing is changed then."""
SEED: Final = 7


def on_their_own(way: Way) -> Way:
    """Return the packets of a link with the delays that they would have had by themselves; lost ones stay so."""
    came = np.flatnonzero(way.came)
    sent, delay = way.sent_ns[came], way.delay_ns[came]
    if len(came) < 2:
        return way
    # Whatever came latest of all that were sent before.
    latest = np.maximum.accumulate(sent + delay)[:-1]
    free = np.concatenate([[True], sent[1:] >= latest])
    behind = np.concatenate([[False], (sent[1:] < latest) & (sent[1:] + delay[1:] - latest < RIGHT_BEHIND_NS)])
    if not behind.any() or np.mean(free) < FREE_SHARE:
        return way
    alone = np.sort(delay[free])
    draws = np.random.Generator(np.random.PCG64(SEED)).random(int(np.count_nonzero(behind)))
    places = (draws * np.searchsorted(alone, delay[behind], side="right")).astype(int)
    own = delay.copy()
    own[behind] = np.minimum(alone[np.minimum(places, len(alone) - 1)], delay[behind])
    found = way.delay_ns.copy()
    found[came] = own
    return Way(way.sent_ns, found)
