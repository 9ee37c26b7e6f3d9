"""The parts of the thickness series: the points and what they share, the line, what is said about it."""
