"""The office's pages: pure functions from rows to HTML. ``queries.py`` has the rows, ``routes.py`` the addresses."""
