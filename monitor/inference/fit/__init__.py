"""Evidence and model to the posterior: importance sampling, sequential Monte Carlo, change point, pooling.

``fit`` makes a ``posterior`` of a record: ``importance`` hands the problem to ``tempering``, whose ``rounds`` add up,
with ``smc`` where their weights fail. ``refreshed`` is a posterior some hours later, ``below`` one under a limit.
``change_scan``, ``change_point`` and ``levels`` look for a seal that changed; ``pooling`` and ``reseating`` are what
boxes say of one another.
"""
