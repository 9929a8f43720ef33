"""The growth chamber: from the settings of its knobs to the air that the crystal has, and back."""
