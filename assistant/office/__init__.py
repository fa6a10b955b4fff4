"""The office: every station's results in one place."""
