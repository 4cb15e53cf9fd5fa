"""What is wrong, as far as the rows of one job can tell, and the way back to the screws as found."""
