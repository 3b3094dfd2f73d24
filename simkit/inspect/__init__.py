"""Pictures of what a card holds."""
