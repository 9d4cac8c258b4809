"""Sequence components by numpy, and a motor behind a delta-wye transformer that has lost a line.

usage: sequence.py QUESTIONS

QUESTIONS: JSON, {"phasors": [[[magnitude, degrees] x 3], ...], "motors": [[[re, im], [re, im], line], ...]}: three
phasors to neutral; a running motor's impedances to positive and negative sequence per unit, and the primary line (0 to
2) that is lost. Answers JSON: for each of the phasors the sequences (zero, positive, negative as re, im), and the
magnitudes between the lines with the negative-sequence ratio of the line-to-line phasors in per cent; for each motor the
magnitudes of the volts to neutral, between the lines and of the amperes on the secondary side, per unit of what they
were with all lines.
"""

import json
import sys

import numpy as np

TURN = np.exp(2j * np.pi / 3)
# What each sequence is in the phases: synthesis, which is solved rather than inverted by hand.
SYNTHESIS = np.array([[1, 1, 1], [1, TURN**2, TURN], [1, TURN, TURN**2]])


def parts(number):
    return [number.real, number.imag]


def sequences(phases):
    zero, positive, negative = np.linalg.solve(SYNTHESIS, phases)
    return zero, positive, negative


def lines(phases):
    return phases - np.roll(phases, -1)


def phasor_answer(question):
    phases = np.array([magnitude * np.exp(1j * np.deg2rad(degrees)) for magnitude, degrees in question])
    between = lines(phases)
    _, positive, negative = sequences(between)
    return {
        "sequences": [parts(part) for part in sequences(phases)],
        "lines": list(np.abs(between)),
        "negative_percent": 100 * abs(negative) / abs(positive),
    }


LEAKAGE = 0.01 + 0.04j
# A winding of the secondary: from which primary line to which, so that the secondary lags by 30 degrees.
WINDINGS = np.array([[1, 0, -1], [-1, 1, 0], [0, -1, 1]]) / np.sqrt(3)


def feed(admittance, lost):
    """Volts and amperes of the secondary, with the source's lines but the lost one."""
    source = np.array([1, TURN**2, TURN])
    # Unknown: the volts of three primary lines, then the amperes of three phases. Volts of the secondary are those of the
    # windings less the leakage's drop, and the motor takes its amperes from them.
    system = np.zeros((6, 6), complex)
    known = np.zeros(6, complex)
    system[:3, :3] = admittance @ WINDINGS
    system[:3, 3:] = -np.eye(3) - admittance * LEAKAGE
    for line in range(3):
        if line == lost:
            system[3 + line, 3:] = WINDINGS.T[line]  # no amperes in it
        else:
            system[3 + line, line] = 1
            known[3 + line] = source[line]
    solved = np.linalg.solve(system, known)
    amperes = solved[3:]
    return WINDINGS @ solved[:3] - LEAKAGE * amperes, amperes


def motor_answer(question):
    positive, negative = (complex(*impedance) for impedance in question[:2])
    by_sequence = np.diag([0, 1 / positive, 1 / negative])  # no neutral, so no zero sequence
    admittance = SYNTHESIS @ by_sequence @ np.linalg.inv(SYNTHESIS)
    volts, amperes = feed(admittance, None)
    lost_volts, lost_amperes = feed(admittance, question[2])
    return {
        "volts": list(np.abs(lost_volts) / np.abs(volts)),
        "between": list(np.abs(lines(lost_volts)) / np.abs(lines(volts))),
        "amperes": list(np.abs(lost_amperes) / np.abs(amperes)),
    }


questions = json.loads(sys.argv[1])
json.dump(
    {
        "phasors": [phasor_answer(question) for question in questions["phasors"]],
        "motors": [motor_answer(question) for question in questions["motors"]],
    },
    sys.stdout,
)
