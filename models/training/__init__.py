"""Trains the station's own speech model on synthetic voices: `python -m models.training FOLDER`. No station needs it."""
