//! The special words, each in a sentence: `straykey help words`, the page's `?`, the end of the report.

/// Words with their meaning, in the order in which a job meets them.
pub const ALL: [(&str, &str); 15] = [
    ("stray", "An input that the set takes for a key press, though nobody pressed."),
    ("soak", "Watching the set, hands off: every input in it is stray."),
    ("sign of life", "A key pressed when asked for. It shows that a stray would have been seen too."),
    ("observed time", "Time in which a stray would have been seen. Only this counts as quiet."),
    ("blind", "Time in which a stray would not have been seen, with the reason."),
    ("episode", "Strays close together, with one cause; counted once."),
    (
        "block",
        "In making the fault come: some seconds of leaving the set alone, or of doing one thing to it.",
    ),
    ("round", "Blocks in which each thing is done once, in an order drawn at random."),
    ("step", "Something done to the set: a part isolated, repaired, or put back."),
    ("stage", "The time between two steps, in which nothing is changed."),
    ("path", "A way for input to reach the set: a keypad line, infrared, HDMI-CEC, the menu."),
    ("orphan", "A menu change with no input behind it: software, or a path that was not watched."),
    ("ladder", "Resistors that give each key its own voltage on one line of the keypad."),
    (
        "counts",
        "What the set's converter reads on a keypad line: 0 for no voltage, the largest for all of it.",
    ),
    (
        "verdict",
        "What a step did. Gone: quiet for so long that an unrepaired set would manage it in one case of 20. Reduced, \
         unchanged, worse: by how often strays come. Undecided: too little was seen.",
    ),
];

/// All of them as lines of text.
pub fn text() -> String {
    ALL.iter().map(|(word, meaning)| format!("{word}: {meaning}\n")).collect()
}
