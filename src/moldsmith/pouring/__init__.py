"""What goes into the mold, how it gets there, and what it does on the way."""
