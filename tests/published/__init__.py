"""Checks against published values: every test names its source; what could not be read again is marked "from memory"."""
