"""Fuels, what one flue reading comes to, the timed gas meter, and the published limits it is held against."""
