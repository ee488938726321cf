//! Serial ports: stable names, exclusive open, arrival times, and what "unplugged" looks like.
