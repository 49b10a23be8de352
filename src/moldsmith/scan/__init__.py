"""Raw scan to a clean patch."""
