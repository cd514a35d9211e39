"""Practice nights: frames rendered from known causes, for the demo, docs and tests."""
