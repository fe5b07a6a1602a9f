"""Dates of layers, from their materials, tree rings and documents."""
