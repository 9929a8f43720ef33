"""From the crystal that is wanted to the recipe that grows it."""
