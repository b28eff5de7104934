"""The kernel: virtual time in a total order, named random streams, and the trace of a run."""

from leadlight_sim.kernel.collecting import collecting_seldom
from leadlight_sim.kernel.draws import PlacedStream, Stream
from leadlight_sim.kernel.kernel import Kernel, TrueInstant
from leadlight_sim.kernel.streams import Streams
from leadlight_sim.kernel.trace import Trace, plain_text
