"""A migration never imports the models: it must do years later what it does today."""
