"""One file for each thing a hand can touch; ports are small protocols, and their fakes ship here too."""
