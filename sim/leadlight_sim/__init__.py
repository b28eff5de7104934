"""The simulator: the library's own leaders and followers, in virtual time, through a modelled Wi-Fi.

Read in this order: ``kernel``, ``streams``, ``oscillator``, ``host``, ``air``, ``scenario``, ``assembly``,
``measures``, then the question you came with: ``rehearse`` or ``tune``.
"""
