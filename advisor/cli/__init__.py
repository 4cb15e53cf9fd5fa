"""The command line, the guide at the keyboard, the terminal."""
