"""Profiles: a user's files that describe a vehicle, read into `sessions.profile` values."""

from gateway.profiles.loader import LoadedProfile, load_profile, parse_profile

__all__ = ["LoadedProfile", "load_profile", "parse_profile"]
