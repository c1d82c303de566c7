"""Recharge days, and what deserves a word today."""
