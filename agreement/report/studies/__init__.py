"""Reports put together: one season beside another, squads pooled, a shelf of all of them."""
