"""Records as a report that can be signed: a page model, the same pages as HTML and PDF, and the
evidence bag that proves them."""
