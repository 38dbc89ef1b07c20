"""What all TOML files of a user share: reading, the line of every key, and findings in words that a machinist reads."""
