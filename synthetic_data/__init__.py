"""Scenes described as data, rendered and labelled."""
