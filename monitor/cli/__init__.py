"""The command line, a folder for each group of commands: they ask and show, and compute nothing.

``start`` is where the command begins, ``commands`` names each one with its module, ``session`` opens the shelf.
"""
