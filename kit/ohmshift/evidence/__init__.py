"""The statistics: what measured curves allow to be said."""
