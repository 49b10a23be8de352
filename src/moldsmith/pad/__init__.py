"""The pad: what will be cast."""
