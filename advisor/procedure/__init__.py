"""The stages of the visit: what is done, what is asked next."""
