"""The evidence bag: packed, sealed, signed, stamped and checked again."""
