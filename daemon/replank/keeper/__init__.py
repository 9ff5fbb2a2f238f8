"""The keeper: starts player and host, holds what both need, restarts either."""
