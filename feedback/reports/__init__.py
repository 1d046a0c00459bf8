"""Documents that are printed and handed over: the commissioning of a machine, the capability of its process."""
