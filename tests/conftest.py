"""Being here puts this folder on the path: tests in its folders import what they share."""
