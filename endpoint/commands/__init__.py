"""Commands of `endpoint`, each loaded only when it is called."""
