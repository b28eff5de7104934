"""The edge filter: a clock from packets that are often late and never early.

Derivation
----------
Delay on a radio is one-sided. A sample of the offset through a packet is ``z = x + floor + d`` with ``d >= 0``: a sharp
edge at the floor and a long tail behind it. Least squares averages the tail into the clock; a minimum throws nearly
everything away. We model ``d`` as exponential with scale ``s``, blurred by Gaussian noise of variance ``v`` (time
stamping, plus what the state itself does not know), whose density for the innovation ``n = z - x - floor`` is, with
``u = (v/s - n) / sqrt(2v)``::

    p(n) = 1/(2s) · exp(v/(2s²) - n/s) · erfc(u)

(the exponentially modified Gaussian). Its score and information, with ``m = 2 exp(-u²) / (sqrt(pi) erfc(u))``, are::

    g = -d log p/dn   = 1/s - m / sqrt(2v)
    G = -d² log p/dn² = m (m - 2u) / (2v)

and the approximate Bayesian update for a linear state with a non-Gaussian observation (C. J. Masreliez, "Approximate
non-Gaussian filtering with linear state and observation relations", IEEE Trans. Automatic Control 20(1), 1975) is
``state += P H' g``, ``P -= P H' G H P``. An early packet (``n`` small) pulls like a Kalman filter. A late one pushes
back by at most ``1/s``, and by ever less beyond one and a half scales, for no network's delays stay exponential.

State: offset ``x`` and its rate ``r``, and two floors, of packets to the group ``b`` and of packets to one node ``f``.
The two-way exchange is used as two one-way packets, ``x + f + d`` down and ``x - f - d`` up, each with its own scale.
The two directions need not be lucky in the same exchange. One-way packets alone cannot tell ``x`` from ``b``; the
covariance says so. The rate is a random walk, the floors wander a little, and the clock itself has no noise of its own:
a clock does not jump, a path does.

All values inside are seconds, offsets relative to the first sample's, so that doubles keep a thousandth of a
nanosecond.
"""

from __future__ import annotations

import math
from typing import Final

from leadlight.clock.bound import RATE_WANDER, CausalityBound
from leadlight.clock.estimator import Estimate, Exchange, new_estimate
from leadlight.units import LeaderInstant, LocalInstant

FLOOR_WANDER: Final = 2e-6
"""Random walk of each floor, seconds per square root of a second."""
RATE_START: Final = 40e-6
"""Standard deviation of the rate before anything is known: of the difference of two crystals, each anywhere within
±50 ppm, it is 41 ppm."""
RATE_REOPENED: Final = 5e-6
"""Standard deviation of the rate that a restart of the leader's host adds, since some hosts measure their own crystal
anew at boot; and the most that one impossible offset adds."""
RATE_LIMIT: Final = 600e-6
"""The rate is clamped here: no crystal and no operating system's steering goes further."""

START_DEVIATION: Final = 20e-3
"""Standard deviation of an offset taken from one packet whose delay nobody knows."""
FLOOR_START: Final = 1e-3
FLOOR_START_DEVIATION: Final = 2e-3
FLOOR_SPREAD: Final = 0.6
"""How far above what is believed of it a floor may lie, as a standard deviation, in shares of the way to half the best
round trip, which is the most it can be: about 1/sqrt(3), as where it is anywhere between alike. Without it, who starts
behind a slow path takes that for its copies' lateness, and the clock to be ahead by nearly as much."""
BEACON_FLOOR_OPEN_DEVIATION: Final = 20e-3
"""Once exchanges carry the clock, the beacon floor is theirs to find, from nothing."""
SCALE_START: Final = 2e-3
SCALE_MINIMUM: Final = 50e-6
SCALE_MAXIMUM: Final = 10.0
"""No network keeps packets apart by so many seconds: a scale that grew without end would overflow."""
INNOVATION_MAXIMUM: Final = 100.0
"""Nor does any sample say more than one that is so many seconds off, whatever instants it carries."""
VARIANCE_MAXIMUM: Final = 1e6
"""Samples that contradict each other by minutes leave a covariance that is none, and grows with each that follows: an
offset that is known no better than to so many seconds squared, or a floor of ``FLOOR_MAXIMUM`` seconds, begins anew."""
FLOOR_MAXIMUM: Final = 200.0
FURTHEST: Final = 1e10
"""No two instants that travel are so many seconds apart."""
NOISE_MINIMUM: Final = 50e-6
"""Least standard deviation of time stamping."""
NOISE_SHARE: Final = 0.06
"""Blur of the edge as a share of the scale: no real delay law begins as a perfect step."""
NOISE_NEAR: Final = 0.5
"""The same share right after another packet of the stream; it dies away over ``NEAR_SECONDS``. Packets close together
wait in one queue, and are hardly more of a witness than one of them: of round trips measured over home Wi-Fi the rank
correlation of the lateness was 0.1 to 0.4 after 5 ms, up to 0.26 after 0.1 s, and gone after a second
(github.com/swystems/det-bypass, rpi-tests). Both constants were chosen on those."""
NEAR_SECONDS: Final = 0.1
NOISE_YOUNG: Final = 1.0
"""The same share while the scale itself is a guess, over the number of packets it was learnt from."""

COLD_EXCHANGES: Final = 4
"""The first exchanges restart the offset in the middle of what they prove together: the best way up and the best way
down, of one exchange or of two. It errs by at most half of that."""
CONFIRMING_SCALES: Final = 3.0
"""After a restart of the leader's host a floor that all of them exceed by so many scales is no longer this path's: the
best of four exponential delays exceeds it by so much once in 160,000 times."""
CHANGED_FLOOR: Final = 0.9
"""The share of half their best round trip at which it is looked for."""
BEACONS_BEFORE_USE: Final = 12
SEARCH_RUN: Final = 64
"""While beacons are held back, their earliest is looked for anew after so many."""
FLOOR_FOUND_DEVIATION: Final = 1e-4
"""Least standard deviation of a floor found so."""
BEACON_SCALE_MAXIMUM: Final = 40e-3
"""With exchanges at hand, beacons whose delay spreads further are buffered for dozing stations: no edge to find. A
wait that is even over one access point's beacon interval of 102.4 ms is learnt as a scale of 74 ms."""

EARLY_DEVIATIONS: Final = 4.0
"""A packet earlier than its floor by so many standard deviations says that the floor was learnt wrongly."""
TAIL_SCALES: Final = 1.5
"""Beyond so many scales a packet pushes the less the later it is, as under a tail that falls as a power of the delay:
in a spell of congestion all are late, and none of them says where the edge is."""
LATE_SCALES: Final = 6.0
LATE_RUN: Final = 8
"""So many packets in a row too late to believe mean that the network has grown slower: the scale is widened."""
FAR_RUN: Final = 64
"""So many packets none of which came near the edge mean that the edge is elsewhere: the floor is reopened."""
FAR_RUN_MINIMUM: Final = 16
FAR_SCALES: Final = 8.0
"""So do fewer, if the nearest of n of them is so many n-ths of a scale away: with exponential delays that happens once
in 3000 times. Without it, a clock that begins wrongly can call one direction slow for minutes, for the scale that is
learnt there has the clock's own error in it."""
JAM_SCALE: Final = 5e-3
"""Where both directions of exchanges spread further than this, the network is jammed."""
JAM_SHARE: Final = 0.01
"""In a jam packets are late alike for a while, and are not as many witnesses as they are packets: the offset is doubted
by this share of the spread beyond ``JAM_SCALE``, per square root of a second. Without it, who starts in a jam believes
a rate that is off by ten of its deviations, and the drift that is declared from it is not true. Once the rate is known,
to ``RATE_REOPENED`` or so, what a jam does is soon forgotten, and the doubt is not needed."""
MEDIAN_OF_EXPONENTIAL: Final = math.log(2)
SCALE_GAIN: Final = 0.05
"""Share by which one packet moves a scale that has been learnt."""

_SQRT2: Final = math.sqrt(2)
_TWO_BY_SQRT_PI: Final = 2 / math.sqrt(math.pi)


def edge_score(innovation: float, variance: float, scale: float) -> tuple[float, float]:
    """Return the score and the information of an exponentially modified Gaussian at ``innovation``.

    ``variance`` is the Gaussian's, ``scale`` the exponential's mean; the formulas are the module's. The information is
    never below zero.
    """
    root = math.sqrt(2 * variance)
    u = (variance / scale - innovation) / root
    if u > 5.0:
        # erfc underflows towards 0/0; two terms of its asymptotic series are exact to 1e-4 from here on.
        inverse = 1 / (u * u)
        m = 2 * u / (1 - 0.5 * inverse + 0.75 * inverse * inverse)
    elif u < -5.0:
        m = 0.0
    else:
        m = _TWO_BY_SQRT_PI * math.exp(-u * u) / math.erfc(u)
    information = m * (m - 2 * u) / (2 * variance)
    return 1 / scale - m / root, information if information > 0.0 else 0.0


class EdgeStream:
    """What is learnt about the packets of one direction and delivery: the scale of their lateness."""

    __slots__ = ("at", "count", "far", "late", "nearest", "scale")

    def __init__(self, scale: float = SCALE_START) -> None:
        self.restart(scale)

    def restart(self, scale: float) -> None:
        """Forget everything but a first guess of the scale, in seconds."""
        self.scale = scale
        self.at = -math.inf
        """When its last packet came, in seconds."""
        self.count = 0
        self.late = 0
        self.far = 0
        self.nearest = math.inf

    def learn(self, lateness: float) -> None:
        """Move the scale towards that of an exponential with this lateness in it."""
        scale = self.scale
        if lateness < 0.0:
            lateness = 0.0
        elif lateness > 4 * scale:
            lateness = 4 * scale
        count = self.count
        if count <= 4:
            scale += (lateness - scale) / (count + 1)
        else:
            # A sign test about the median: one enormous delay counts no more than one that is merely long.
            gain = SCALE_GAIN if count > 1.2 / SCALE_GAIN else 1.2 / count
            scale *= 1 + gain if lateness > MEDIAN_OF_EXPONENTIAL * scale else 1 - gain
        self.scale = SCALE_MINIMUM if scale < SCALE_MINIMUM else scale if scale < SCALE_MAXIMUM else SCALE_MAXIMUM


class EdgeFilter:
    """The default estimator. Feed it samples in order of local time; cost and memory are constant.

    ``bound`` is the causality bound that its owner keeps from the same samples: an offset outside it is impossible,
    and is moved to it. Without one the filter goes by its own arithmetic alone.
    """

    __slots__ = (
        "_b",
        "_base",
        "_bb",
        "_beacons",
        "_best_round_trip",
        "_bf",
        "_bound",
        "_down",
        "_exchanges",
        "_f",
        "_ff",
        "_least",
        "_paths_known",
        "_r",
        "_rb",
        "_rf",
        "_rr",
        "_t",
        "_up",
        "_x",
        "_xb",
        "_xf",
        "_xr",
        "_xx",
    )

    def __init__(self, bound: CausalityBound | None = None) -> None:
        self._bound = bound
        self._base: int | None = None
        self._t = LocalInstant(0)
        self._x = 0.0
        self._r = 0.0
        self._b = FLOOR_START
        self._f = FLOOR_START
        self._least = 0.0
        self._beacons = EdgeStream()
        self._down = EdgeStream()
        self._up = EdgeStream()
        self._exchanges = 0
        self._best_round_trip = math.inf
        self._paths_known = False
        self._open_covariance(START_DEVIATION**2)

    def _open_covariance(self, offset_variance: float) -> None:
        self._xx = offset_variance
        self._xr = self._xb = self._xf = 0.0
        self._rr = RATE_START**2
        self._rb = self._rf = 0.0
        self._bb = self._ff = FLOOR_START_DEVIATION**2
        self._bf = 0.0

    # -- samples -----------------------------------------------------------------------------------------------

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to the group."""
        if self._base is None:
            self._start(received_at - sent_at, received_at, -FLOOR_START)
            return
        self._predict(received_at)
        lateness = (received_at - sent_at - self._base) * 1e-9 - self._x - self._b
        stream = self._beacons
        stream.count += 1
        if self._exchanges and (stream.count < BEACONS_BEFORE_USE or stream.scale > BEACON_SCALE_MAXIMUM):
            self._find_edge(stream, lateness)
        else:
            self._edge(stream, lateness, 1.0, to_group=True)
        self._clamp()

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to this follower alone: one half of an exchange."""
        if self._base is None:
            self._start(received_at - sent_at, received_at, -FLOOR_START)
            return
        self._predict(received_at)
        self._down.count += 1
        self._edge(self._down, (received_at - sent_at - self._base) * 1e-9 - self._x - self._f, 1.0)
        self._clamp()

    def observe_exchange(self, exchange: Exchange) -> None:
        """Take a Sounding that was answered."""
        sent_at, leader_received_at, leader_sent_at, received_at = exchange
        if self._base is None:
            self._start(received_at - leader_sent_at, received_at, 0.0)
        assert self._base is not None
        self._predict(received_at)
        down = (received_at - leader_sent_at - self._base) * 1e-9
        # The way up was measured earlier: carried to now at the rate in use.
        up = (sent_at - leader_received_at - self._base) * 1e-9 + self._r * (received_at - sent_at) * 1e-9
        self._exchanges += 1
        if self._exchanges <= COLD_EXCHANGES:
            if self._bound is not None and self._bound.is_two_sided:
                # What is proven so far: the best way down and the best way up, lucky in one exchange or in two.
                down = min(down, (self._bound.upper_ns - self._base) * 1e-9)
                up = max(up, (self._bound.lower_ns - self._base) * 1e-9)
            round_trip = max(down - up, 0.0)
            if round_trip < self._best_round_trip:
                self._best_round_trip = round_trip
                self._restart_at((up + down) / 2, round_trip)
            if self._exchanges == COLD_EXCHANGES and self._paths_known:
                self._confirm_floor()
        else:
            self._down.count += 1
            self._edge(self._down, down - self._x - self._f, 1.0)
            self._up.count += 1
            self._edge(self._up, self._x - up - self._f, -1.0)
        self._clamp()

    def rebase(self) -> None:
        """Forget the offset and keep rate, floors and scales: the same host counts from elsewhere now."""
        self._paths_known = self._exchanges >= COLD_EXCHANGES
        self._base = None
        self._exchanges = 0
        self._best_round_trip = math.inf
        self._xx = START_DEVIATION**2
        self._xr = self._xb = self._xf = 0.0
        self._rr += RATE_REOPENED**2

    def reopen_paths(self) -> None:
        """Forget the floors and keep the clock: the network has changed."""
        self._bb += BEACON_FLOOR_OPEN_DEVIATION**2
        self._ff += FLOOR_START_DEVIATION**2
        for stream in (self._beacons, self._down, self._up):
            stream.restart(stream.scale)

    # -- answers -----------------------------------------------------------------------------------------------

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last sample, or ``None`` before the first."""
        if self._base is None:
            return None
        return new_estimate(
            (
                self._t,
                self._base + round(self._x * 1e9),
                self._r,
                math.sqrt(self._xx) * 1e9,
                math.sqrt(self._rr),
                (self._f if self._exchanges else self._b) * 1e9,
            )
        )

    # -- arithmetic --------------------------------------------------------------------------------------------

    def _start(self, base: int, at: LocalInstant, offset: float) -> None:
        self._base = base
        self._t = at
        self._x = offset
        self._xx = START_DEVIATION**2

    def _restart_at(self, offset: float, round_trip: float) -> None:
        """Begin again at an offset that errs by at most half of ``round_trip``."""
        self._x = offset
        if self._paths_known:
            self._xx = (0.5 * round_trip) ** 2 + 1e-6
            self._xr = self._xb = self._xf = 0.0
            return
        self._r = 0.0
        self._open_covariance((0.5 * round_trip) ** 2 + 1e-6)
        self._b = FLOOR_START
        self._bb = BEACON_FLOOR_OPEN_DEVIATION**2
        self._f = min(FLOOR_START, 0.3 * round_trip)
        self._ff = max(FLOOR_START_DEVIATION, FLOOR_SPREAD * 0.5 * round_trip) ** 2
        self._beacons.restart(SCALE_START)
        guess = max(0.25 * round_trip, 2e-4)
        self._down.restart(guess)
        self._up.restart(guess)

    def _confirm_floor(self) -> None:
        """Learn the floor anew, but keep the rate, if none of the first exchanges was nearly as fast as it says."""
        half = 0.5 * self._best_round_trip
        scale = max(self._down.scale, self._up.scale)
        excess = half - self._f
        if excess <= CONFIRMING_SCALES * scale:
            # They may all have been late; but scales that were learnt on a path that changed would forgive it anything.
            if excess > 0.0:
                self._ff += (FLOOR_SPREAD * excess) ** 2
            return
        self._paths_known = False
        self._f = CHANGED_FLOOR * half
        self._ff = FLOOR_START_DEVIATION**2 + (half - self._f) ** 2
        self._xf = self._rf = self._bf = 0.0
        self._bb = BEACON_FLOOR_OPEN_DEVIATION**2
        self._xb = self._rb = 0.0
        for stream in (self._beacons, self._down, self._up):
            stream.restart(scale)

    def _begin_anew(self) -> None:
        """Forget everything but where the clock stood: what was learnt contradicts itself."""
        if not abs(self._x) < FURTHEST:
            self._x = 0.0
        self._r = 0.0
        self._b = self._f = FLOOR_START
        self._open_covariance(START_DEVIATION**2)
        for stream in (self._beacons, self._down, self._up):
            stream.restart(SCALE_START)

    def _predict(self, now: LocalInstant) -> None:
        """Carry state and covariance to ``now``."""
        dt = (now - self._t) * 1e-9
        if dt <= 0.0:
            return
        self._t = now
        r = self._r
        self._x += r * dt
        q = RATE_WANDER * RATE_WANDER * dt
        rr = self._rr
        self._xx += dt * (2 * self._xr + dt * rr) + q * dt * dt / 3
        down, up = self._down.scale, self._up.scale
        jam = (down if down < up else up) - JAM_SCALE
        if jam > 0.0:
            self._xx += (JAM_SHARE * jam) ** 2 * dt * rr / (rr + RATE_REOPENED**2)
        self._xr += dt * rr + q * dt / 2
        self._xb += dt * self._rb
        self._xf += dt * self._rf
        self._rr = rr + q
        if not self._xx > 0.0:
            # Rounding has left more correlation than there is variance: only gaps of days with samples between do so.
            self._begin_anew()
            return
        wander = FLOOR_WANDER * FLOOR_WANDER * dt
        self._bb += wander
        self._ff += wander

    def _find_edge(self, stream: EdgeStream, lateness: float) -> None:
        """Take note of a beacon while exchanges alone carry the clock: where its edge lies, without moving the clock.

        Of n delays with an exponential tail of scale s the least lies s/n above the floor on average, and their mean
        s above it. What the clock does not know of itself, the floor found against it does not know either.
        """
        delay = lateness + self._b
        self._least = delay if stream.count % SEARCH_RUN == 1 else min(self._least, delay)
        seen = min(stream.count, BEACONS_BEFORE_USE)
        self._b = max(self._least - stream.scale / seen, 0.0)
        stream.learn(delay - self._b)
        nearness = stream.scale / seen
        self._bb = nearness * nearness + self._xx + FLOOR_FOUND_DEVIATION**2
        self._xb = -self._xx
        self._rb = -self._xr
        self._bf = -self._xf

    def _edge(self, stream: EdgeStream, innovation: float, sign: float, to_group: bool = False) -> None:
        """Update from one packet whose lateness beyond its floor is ``innovation``, observed as ``sign``·H·state.

        H is (1, 0, 1, 0) for a packet to the group, (1, 0, 0, ``sign``) for one to or from this node alone.
        """
        # Read once, written once at the end, and limits by comparison: this is half of what a beacon costs the clock.
        xx, xr = self._xx, self._xr
        xb, xf = self._xb, self._xf
        rb, rf = self._rb, self._rf
        bb, bf, ff = self._bb, self._bf, self._ff
        # P H', and H P H'.
        if to_group:
            hx = xx + xb
            hr = xr + rb
            hb = xb + bb
            hf = xf + bf
            known = hx + hb
        else:
            hx = xx + sign * xf
            hr = xr + sign * rf
            hb = xb + sign * bf
            hf = xf + sign * ff
            known = hx + sign * hf
        # Samples that no clock can give leave a covariance that is none: no variance is less than nothing.
        if known < 0.0:
            known = 0.0
        if innovation > INNOVATION_MAXIMUM:
            innovation = INNOVATION_MAXIMUM
        elif innovation < -INNOVATION_MAXIMUM:
            innovation = -INNOVATION_MAXIMUM
        scale = stream.scale
        at = self._t * 1e-9
        near = math.exp((stream.at - at) / NEAR_SECONDS) if stream.at < at else 1.0
        stream.at = at
        noise = (NOISE_SHARE + NOISE_NEAR * near + NOISE_YOUNG / (1 + stream.count)) * scale
        if noise < NOISE_MINIMUM:
            noise = NOISE_MINIMUM
        variance = noise * noise + known
        deviation = math.sqrt(variance)
        if innovation > LATE_SCALES * scale + 3 * deviation:
            stream.late += 1
            if stream.late >= LATE_RUN:
                stream.late = 0
                stream.scale = min(scale * 1.5, SCALE_MAXIMUM)
            stream.learn(innovation)
            return
        stream.late = 0
        if innovation < -EARLY_DEVIATIONS * deviation:
            # Far too early for its floor: a clock does not jump, so it is the floor that was thought too high.
            opened = innovation * innovation
            if to_group:
                bb += opened
                hb += opened
            else:
                ff += opened
                hf += sign * opened
            known += opened
            variance += opened
        if innovation < 3 * deviation:
            stream.far = 0
            stream.nearest = math.inf
        else:
            stream.far += 1
            if innovation < stream.nearest:
                stream.nearest = innovation
            if stream.far >= FAR_RUN or (
                stream.far >= FAR_RUN_MINIMUM and stream.far * stream.nearest > FAR_SCALES * scale
            ):
                opened = stream.nearest**2
                if to_group:
                    bb += opened
                    hb += opened
                else:
                    ff += opened
                    hf += sign * opened
                known += opened
                variance += opened
                stream.far = 0
                stream.nearest = math.inf
        g, information = edge_score(innovation, variance, scale)
        if innovation > TAIL_SCALES * scale:
            g *= TAIL_SCALES * scale / innovation
        stream.learn(innovation - known * g)
        g *= sign
        self._x += hx * g
        r = self._r + hr * g
        self._r = RATE_LIMIT if r > RATE_LIMIT else r if r > -RATE_LIMIT else -RATE_LIMIT
        b = self._b + hb * g
        self._b = b if b > 0.0 else 0.0
        f = self._f + hf * g
        self._f = f if f > 0.0 else 0.0
        ix = information * hx
        ir = information * hr
        ib = information * hb
        # Rounding must not leave a variance below zero: the floors of the diagonal are a nanosecond and 1e-12.
        xx -= ix * hx
        self._xx = xx if xx > 1e-18 else 1e-18
        self._xr = xr - ix * hr
        self._xb = xb - ix * hb
        self._xf = xf - ix * hf
        rr = self._rr - ir * hr
        self._rr = rr if rr > 1e-24 else 1e-24
        self._rb = rb - ir * hb
        self._rf = rf - ir * hf
        bb -= ib * hb
        self._bb = bb if bb > 1e-18 else 1e-18
        self._bf = bf - ib * hf
        ff -= information * hf * hf
        self._ff = ff if ff > 1e-18 else 1e-18

    def _clamp(self) -> None:
        """Move an impossible offset to the bound, and admit the ignorance that the move shows."""
        if not (self._xx < VARIANCE_MAXIMUM and self._b < FLOOR_MAXIMUM and self._f < FLOOR_MAXIMUM):
            self._begin_anew()
        bound = self._bound
        if bound is None or self._base is None:
            return
        x = self._x
        upper = (bound.upper_ns - self._base) * 1e-9
        lower = (bound.lower_ns - self._base) * 1e-9
        if x > upper:
            move = upper - x
        elif x < lower:
            move = lower - x
        else:
            return
        self._x = x + move
        self._xx += move * move
        self._rr += min((0.01 * move) ** 2, RATE_REOPENED**2)
