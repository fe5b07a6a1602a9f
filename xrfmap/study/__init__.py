"""The whole job: stages, kept results, several studies."""
