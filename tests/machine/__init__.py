"""The machine file: errors, lines, origins, settings, built-in machines, new files."""
