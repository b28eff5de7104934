"""The modelled air: what happens to a datagram between two stations of one access point.

Reading order: ``interface``, ``timing``, ``laws``, ``conditions``, ``dropouts``, ``access_point``; then the sampled
air: ``group_queue``, ``sampled``, ``presets``; then the contended one: ``contention``, ``saturation``, ``neighbours``,
``rates``, ``contended_settings``, ``radio_queues``, ``contended``; and ``tables``, which ties the two together.
``sim/AIR.md`` says what is modelled, what is not, and how well each part was checked.
"""
