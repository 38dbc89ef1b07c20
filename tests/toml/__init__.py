"""What machine files and dialect files share: the line of every key."""
