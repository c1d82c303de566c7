"""The payload formats a feed may speak: our own contract, SenML packs, any JSON by mapping, bare numbers."""
