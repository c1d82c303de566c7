"""What people and programs look at: words, numbers and units for a person; JSON; the calendar; the Homie device.

``unit_wording`` turns numbers into a person's units, ``crossing_wording`` tells dates, and ``wording`` builds on both.
"""
