"""What is at hand: the printer, its filament, the material to cast."""
