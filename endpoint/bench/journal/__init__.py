"""What happened at the bench, kept so that nothing is lost."""
