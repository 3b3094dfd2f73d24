"""The cards that come with the kit, one folder a family; found through the entry-point group "simkit.cards"."""
