"""The office's pages: pure functions from rows to HTML. ``questions.py`` has the rows, ``routes.py`` the addresses."""
