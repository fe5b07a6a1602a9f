"""The fictional panel that the demo study is made of."""
