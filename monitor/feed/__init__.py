"""The feed: broker or recording → raw messages → readings."""
