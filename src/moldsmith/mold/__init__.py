"""The mold bodies that cast the pad."""
