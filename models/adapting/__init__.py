"""How the adapted acoustic model in models/adapted was made; nothing here runs in the station."""
