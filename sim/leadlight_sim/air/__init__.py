"""The modelled air: what happens to a datagram between two stations of one access point.

Reading order: ``interface``, ``timing``, ``laws``, ``dropouts``, ``access_point``, ``sampled``, ``presets``.
"""
