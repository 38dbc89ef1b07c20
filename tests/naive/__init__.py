"""Slow, obvious twins of the fast code, by another method, and the random inputs that both are given."""
