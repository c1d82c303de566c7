"""Many boxes at once: first fits, pooled outlooks, a memory of the last fits, worker processes.

``outlooks`` is the way in (``fitted``, ``updated``): ``first_fit`` of each box, pooled, or its ``last_fit`` moved on,
then its ``answer``, in ``workers``; ``needed`` says which readings that takes.
"""
