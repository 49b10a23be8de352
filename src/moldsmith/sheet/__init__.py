"""Pictures. Only this folder draws."""
