"""Molds of several side pieces round a core, for pads that one pull cannot release."""
