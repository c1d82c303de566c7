"""What was measured and written down: logging, import and export, messages refused."""
