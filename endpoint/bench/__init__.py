"""The bench: guidance, journal and page for the person at the burette."""
