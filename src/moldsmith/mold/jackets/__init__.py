"""Mold bodies at a constant wall instead of full blocks."""
