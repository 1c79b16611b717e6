"""The debrief: what the plotter and the phone made of a day, drafted, and decided by its member."""
