"""Inputs that once ended in a traceback, in an absurd answer or in none: each as small as it can be, kept as data."""
