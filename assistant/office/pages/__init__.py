"""The office's pages: pure functions from rows of the database to HTML; ``questions.py`` has the rows, ``routes.py`` the addresses."""
