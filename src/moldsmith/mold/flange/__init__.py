"""What holds a mold shut and what opens it."""
