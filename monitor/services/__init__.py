"""Where the rooms meet; each module joins a few of them for one purpose.

From message to store: ``intake``, ``housekeeping`` (screening and health in idle moments), ``reread_rejected``,
``hand_readings``, ``adoption``.

From store to answer: ``histories`` reads what an estimate is given of each box, ``assess`` asks, ``kept_outlooks``
says which boxes are answered from what was kept, ``packed_answers`` and ``packing`` are its bytes,
``outlook_upkeep`` keeps them ready beside a listener, ``supposing`` and ``sizing`` ask what would be.

Many boxes: ``box_by_box`` reads one when it is asked for, ``dask_cluster`` fits them on other machines.

The plan: ``planning`` gathers what it is made from (``plan_risk``: what a day over the limit spoils), ``recharge_plan``
makes it, ``kept_plan`` keeps the one that all faces show, ``plan_to_show`` says which that is until it is made,
``announcing`` tells calendars.

Is all well: ``watch`` notes alerts and sends them, ``route_check`` tries the routes, and there are ``site_check``,
``broker_check``, ``doubtful_units``, ``at_rest`` (are beads as dry as their run said) and ``empty_box_test``.
"""
