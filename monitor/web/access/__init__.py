"""Who may see the pages: sessions, the password, pairing links, and the door before every page."""
