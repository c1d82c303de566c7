"""The feed: broker or recording → raw messages → decoded readings → screened ones: marked, never dropped."""
