"""The parts of an ageing series: specimens with their results in time, and their paired changes."""
