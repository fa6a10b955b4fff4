"""What leaves the station for the office."""
