"""What the printer must know."""
