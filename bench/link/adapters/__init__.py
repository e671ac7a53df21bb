"""What serial adapters are plugged in, and which bit rates they can make."""
