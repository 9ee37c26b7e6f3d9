"""The parts of the press method: the approach in a run, the models of it, what they say about the paste."""
