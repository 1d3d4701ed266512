"""The season's book: boats, positions, haul-outs and judgements in one file, and what follows from them."""
