"""What may be typed at a prompt and during a wait, and what follows an entry."""
