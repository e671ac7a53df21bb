"""Ways to the nodes: transports, pacing, sightings, and live links made of them."""
