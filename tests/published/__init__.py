"""Checks against published values: every test names its source, and says where a value is from memory."""
