"""Mold bodies to printable parts: cuts, keys, joints, labels, the order of assembly."""
