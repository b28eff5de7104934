"""The modelled air: what happens to a datagram between two stations.

Reading order: ``interface``, ``timing``, ``laws``, ``conditions``, ``dropouts``, ``access_point``; then the sampled
air: ``group_queue``, ``sampled``, ``presets``; then the contended one: ``contention``, ``saturation``, ``neighbours``,
``rates``, ``contended_settings``, ``radio_queues``, ``cell``, ``contended``; and ``tables``, which ties both together.
``sim/AIR.md`` says what is modelled, what is not, and how well each part was checked.
"""
