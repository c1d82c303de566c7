"""Running a site: the demo, the listener, the page, the check-up, boxes, backups, alerts, results for the broker."""
