"""Places in and out of files, and what people type for a position."""
