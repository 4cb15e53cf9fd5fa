"""What is stated before the first entry: fuel, bands, caps, marks, directions; the prior; every threshold."""
