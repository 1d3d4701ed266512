"""Who tells metal from the rest: the trained network, and statistics of light, colour and texture."""
