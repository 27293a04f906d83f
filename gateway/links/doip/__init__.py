"""The ``doip:`` link: ISO 13400 over a connection of our own."""

from gateway.links.doip.discovery import Entity, find_entities
from gateway.links.doip.link import DoipLink, open_doip

__all__ = ["DoipLink", "Entity", "find_entities", "open_doip"]
