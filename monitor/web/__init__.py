"""The local page, a folder for each page.

``app`` puts it together and ``site`` is what pages share. ``access`` and ``enter`` are the door; ``snapshot``
holds what is shown, ``watcher`` and ``live`` keep it new.
"""
