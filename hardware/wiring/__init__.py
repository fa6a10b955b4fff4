"""How each device is wired to a Pi: one page and one drawing a device, written by `bowlside wiring FOLDER`.

Pin numbers come from the station's settings, sizes of parts from the arithmetic in electrics.py; the words are in pages/.
"""
