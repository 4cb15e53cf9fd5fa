"""How far next, which way, how long to wait, may I, am I done."""
