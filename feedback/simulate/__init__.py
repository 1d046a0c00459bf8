"""A cell with known truth: machines that cut, wear, warm up and probe, operators who enter, and the log text of it all.

The physics is written here from the cutter, the walls and the probe, and not from the sensitivities of the product: a
sign that is wrong there shows here. Everything follows from a scenario and a seed; there is no clock, and only `writer`
touches files.

    plans, wear, warming, happenings, scenario   what a scenario says
    physics                                      how a feature comes out, and how it reads
    disturbance, errors                          all readings at once, in arrays
    machine, operator, cell                      part by part, with registers and entries
    printing, writer                             what the control prints; a whole cell folder
    reference, scenarios, faults                 a rich plan, everyday situations, and one fault at a time
"""
