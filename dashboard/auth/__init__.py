"""Authentication and authorisation: who may open the page, and what they may do there."""
