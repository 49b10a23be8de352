"""What lets a casting and a mold go: draft, undercut, blocking out, opening."""
