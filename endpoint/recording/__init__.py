"""Films, stills, photometer tables and volume logs, as they come from disk."""
