"""What is asked of a posterior: leak, forecast, a what-if, the most useful measurement, an explanation.

``forecast`` and ``futures`` (for a plan) push a box ahead by ``simulation`` through what ``drawn_future`` drew,
``what_if`` after a change, ``sizing`` with other beads; ``sized_box`` is one of which nothing was seen.
"""
