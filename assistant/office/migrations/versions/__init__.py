"""A step a file: 0001.py, 0002.py ... Each is plain SQL by ``op.execute`` in ``upgrade()``; there is no way down but a backup."""
