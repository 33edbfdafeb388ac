"""Generated folders of exports, each in its own layout, and what a draft of them gets right."""
