"""Recharge days, and what deserves a word today.

A plan (``recharge``), in the order of the work: ``decisions`` makes constraints of what a person decided, ``problem``
puts them and forecasts or futures into arrays, ``visits`` says what waits cost. ``solve`` then asks for the cheapest:
``exact`` on small shelves, on large ones ``columns`` for the bound, ``dive`` to round it and ``search`` with
``insertion`` for better days (``program`` is the way to HiGHS). ``calendar_days`` and ``reasons`` tell the days
and why.

Around it: ``steady`` and ``announced`` keep days that were told, ``mend`` and ``better_lid`` say what would help
where not all can be met, ``worth`` compares with plain rules, ``weights`` has all prices.

What deserves a word: ``due`` says how a box stands, ``urgency`` which is worst, ``alerts`` which alerts there are now,
``standing_alerts`` when one begins and is over, ``messages`` which goes out by which route, and when.
"""
