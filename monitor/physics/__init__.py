"""Moist air, sorption, and the water balance of a sealed box: numbers in, numbers out.

``psychrometrics`` and ``saturation`` know moist air, ``sorption`` and ``materials`` what beads and spools hold,
``box_balance`` is the one water balance, ``drying`` the oven, ``calculators`` gives columns for a person.
``compiled`` says whether what is compiled may be used here.
"""
