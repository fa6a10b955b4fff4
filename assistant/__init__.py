"""Bowlside: a hands-busy voice and keypad assistant for the technician who tests fresh concrete at the pour."""
