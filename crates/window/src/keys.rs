//! The keys, as one table: what the window obeys is what the list of keys shows.

use iced::keyboard::{Key, Modifiers, key::Named};
use view::Stage;

/// What a key does everywhere in the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Press the main button, or stop.
    StartOrStop,
    /// Silence what sounds, and close what is open.
    Silence,
    /// Mute the output, or let it sound again.
    Mute,
    /// Open a stage.
    Stage(Stage),
    /// Mark the picked capture as before.
    MarkBefore,
    /// Mark it as after.
    MarkAfter,
    /// The next smoothing.
    Smoothing,
    /// The other theme.
    Theme,
    /// The next size of everything that is drawn.
    TextSize,
    /// Only what is read from another seat, and back.
    Large,
    /// Take back.
    Undo,
    /// Make again.
    Redo,
    /// Show the whole chart.
    Fit,
    /// Write the bands out.
    Export,
    /// The start page.
    Job,
    /// The list of keys.
    Help,
    /// The next thing.
    Next,
    /// The thing before.
    Previous,
}

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Binding {
    /// The key caps as they are written.
    pub caps: &'static [&'static str],
    /// What the key does.
    pub does: &'static str,
    /// The keys themselves with what they do; empty where the thing that has
    /// the keyboard decides.
    pub acts: &'static [(Stroke, Act)],
}

/// A key with what must be held down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// A named key without shift.
    Named(Named),
    /// A named key with shift.
    ShiftNamed(Named),
    /// A character as it is typed.
    Char(char),
    /// A letter with shift.
    ShiftChar(char),
}

/// All keys.
pub const BINDINGS: &[Binding] = &[
    Binding {
        caps: &["Space"],
        does: "Start, or stop what is under way",
        acts: &[(Stroke::Named(Named::Space), Act::StartOrStop)],
    },
    Binding {
        caps: &["Esc"],
        does: "Silence what sounds; close what is open",
        acts: &[(Stroke::Named(Named::Escape), Act::Silence)],
    },
    Binding { caps: &["M"], does: "Mute, unmute the output", acts: &[(Stroke::Char('m'), Act::Mute)] },
    Binding {
        caps: &["1", "…", "7"],
        does: "Open a stage of the work order",
        acts: &[
            (Stroke::Char('1'), Act::Stage(Stage::Intake)),
            (Stroke::Char('2'), Act::Stage(Stage::Source)),
            (Stroke::Char('3'), Act::Stage(Stage::Gain)),
            (Stroke::Char('4'), Act::Stage(Stage::Drivers)),
            (Stroke::Char('5'), Act::Stage(Stage::Timing)),
            (Stroke::Char('6'), Act::Stage(Stage::Tune)),
            (Stroke::Char('7'), Act::Stage(Stage::Handover)),
        ],
    },
    Binding {
        caps: &["B", "A"],
        does: "Mark the picked capture as before, as after",
        acts: &[(Stroke::Char('b'), Act::MarkBefore), (Stroke::Char('a'), Act::MarkAfter)],
    },
    Binding { caps: &["S"], does: "Next smoothing", acts: &[(Stroke::Char('s'), Act::Smoothing)] },
    Binding { caps: &["F"], does: "Fit the whole chart", acts: &[(Stroke::Char('f'), Act::Fit)] },
    Binding {
        caps: &["Z", "Shift Z"],
        does: "Undo, redo",
        acts: &[(Stroke::Char('z'), Act::Undo), (Stroke::ShiftChar('z'), Act::Redo)],
    },
    Binding { caps: &["T"], does: "Garage or daylight", acts: &[(Stroke::Char('t'), Act::Theme)] },
    Binding {
        caps: &["L"],
        does: "Large type, to be read from another seat; and back",
        acts: &[(Stroke::Char('l'), Act::Large)],
    },
    Binding { caps: &["X"], does: "The next size of text", acts: &[(Stroke::Char('x'), Act::TextSize)] },
    Binding { caps: &["E"], does: "Export the bands", acts: &[(Stroke::Char('e'), Act::Export)] },
    Binding {
        caps: &["J"],
        does: "All jobs, and back to the open one",
        acts: &[(Stroke::Char('j'), Act::Job)],
    },
    Binding {
        caps: &["Tab", "Shift Tab"],
        does: "Go to the next thing, the one before",
        acts: &[(Stroke::Named(Named::Tab), Act::Next), (Stroke::ShiftNamed(Named::Tab), Act::Previous)],
    },
    Binding { caps: &["Enter", "Space"], does: "Press the focused control", acts: &[] },
    Binding {
        caps: &["↑", "↓", "←", "→"],
        does: "Move within a list; step a value; pan the chart",
        acts: &[],
    },
    Binding { caps: &["+", "−"], does: "Zoom the chart, when it has the focus", acts: &[] },
    Binding {
        caps: &["Wheel", "Shift Wheel"],
        does: "Zoom frequencies, levels; drag to pan, double click to fit",
        acts: &[],
    },
    Binding { caps: &["Shift ↑", "Shift ↓"], does: "Step the Q of a band or a shelf", acts: &[] },
    Binding {
        caps: &["Del", "R"],
        does: "Discard, rename a capture; take a shelf or a point away",
        acts: &[],
    },
    Binding { caps: &["?"], does: "Show these keys", acts: &[(Stroke::Char('?'), Act::Help)] },
];

/// What a key does, if it does anything everywhere.
#[must_use]
pub fn act(key: &Key, modifiers: Modifiers) -> Option<Act> {
    if modifiers.control() || modifiers.alt() || modifiers.logo() {
        return None;
    }
    let stroke = match key {
        Key::Named(named) if modifiers.shift() => Stroke::ShiftNamed(*named),
        Key::Named(named) => Stroke::Named(*named),
        Key::Character(text) => {
            let mut chars = text.chars();
            let c = chars.next()?;
            if chars.next().is_some() {
                return None;
            }
            // Shift is part of how `?` is typed, but makes another key of a letter.
            if c.is_alphabetic() && (modifiers.shift() || c.is_uppercase()) {
                Stroke::ShiftChar(c.to_ascii_lowercase())
            } else {
                Stroke::Char(c)
            }
        }
        Key::Unidentified => return None,
    };
    BINDINGS
        .iter()
        .flat_map(|binding| binding.acts)
        .find(|(wanted, _)| *wanted == stroke)
        .map(|(_, act)| *act)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn char(c: &str) -> Key {
        Key::Character(c.into())
    }

    #[test]
    fn the_keys_of_the_design_do_what_it_says() {
        let none = Modifiers::empty();
        assert_eq!(act(&Key::Named(Named::Space), none), Some(Act::StartOrStop));
        assert_eq!(act(&Key::Named(Named::Escape), none), Some(Act::Silence));
        assert_eq!(act(&char("m"), none), Some(Act::Mute));
        for (index, stage) in Stage::ALL.into_iter().enumerate() {
            assert_eq!(act(&char(&(index + 1).to_string()), none), Some(Act::Stage(stage)));
        }
        assert_eq!(act(&char("b"), none), Some(Act::MarkBefore));
        assert_eq!(act(&char("a"), none), Some(Act::MarkAfter));
        assert_eq!(act(&char("s"), none), Some(Act::Smoothing));
        assert_eq!(act(&char("t"), none), Some(Act::Theme));
        assert_eq!(act(&char("z"), none), Some(Act::Undo));
        assert_eq!(act(&char("Z"), Modifiers::SHIFT), Some(Act::Redo));
        assert_eq!(act(&char("?"), Modifiers::SHIFT), Some(Act::Help));
        assert_eq!(act(&Key::Named(Named::Tab), Modifiers::SHIFT), Some(Act::Previous));
    }

    #[test]
    fn keys_with_control_belong_to_others() {
        assert_eq!(act(&char("a"), Modifiers::CTRL), None);
        assert_eq!(act(&char("8"), Modifiers::empty()), None);
    }

    #[test]
    fn no_key_does_two_things() {
        let strokes: Vec<Stroke> = BINDINGS.iter().flat_map(|b| b.acts).map(|(stroke, _)| *stroke).collect();
        for (index, stroke) in strokes.iter().enumerate() {
            assert!(!strokes[index + 1..].contains(stroke), "{stroke:?} stands twice");
        }
    }
}
