"""The parts of the cycling method: the cycles in a trace, their figures at soak, the drift, what is said about it."""
