"""The web pages: ask the store, draw the answer."""
