"""One module a page: its ids, its layout, its thin callbacks."""
