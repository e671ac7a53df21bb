"""Sightings by answers on the bus."""
