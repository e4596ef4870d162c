"""The ground floor: contract, decoding, fleet folder, store, listener, bulk import, embedded broker."""
