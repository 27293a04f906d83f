"""The way to the vehicle and the doors for people: links, guard, scans, profiles, command line."""
