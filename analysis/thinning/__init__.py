"""The parts of the thinning method: quasi-steady points of one run, and the line through impedance against gap."""
