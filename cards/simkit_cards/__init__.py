"""The cards that come with the kit, one module a card; found through the entry-point group "simkit.cards"."""
