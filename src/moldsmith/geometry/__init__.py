"""Pure kernels: arrays and solids in, arrays and solids out. No mold words here."""
