"""Everything about the speech models: where they are, what they can hear, and what they heard."""
