"""Tests of boards and contacts with pytest: `plugin` has the fixtures; `board`, `inputs` and `recording` are
what they give. Nothing is imported here: pytest loads the plugin in every project beside reedproof."""
