"""Burettes, pipettes and flasks: by class, by certificate, by weighing."""
