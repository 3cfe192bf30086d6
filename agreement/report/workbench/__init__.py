"""The workbench in the browser: panels of controls, for people who never use a terminal."""
