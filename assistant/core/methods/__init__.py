"""The methods: a test is one room here, its procedure NAME.toml and a module NAME.py that says what is true of it alone.

`method.py` says what a room may say, `registry.py` finds the rooms. Whoever adds one touches no other file of this package.
"""
