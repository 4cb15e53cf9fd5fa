"""What may be typed at a prompt and during a wait, and what follows an entry; nothing of a keyboard or a screen."""
