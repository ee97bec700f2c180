"""From messages to columns in canonical units. Pure: the register and the time come as arguments."""
