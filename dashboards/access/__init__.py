"""Who may look, at which sites: sign-in, sessions, rights, and the headers that guard a page."""
