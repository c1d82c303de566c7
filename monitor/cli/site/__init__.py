"""Running a site: the demo, the listener, the page, the check-up, results for the broker."""
