"""The electrical side: what a resistance does to what an earphone gets."""
