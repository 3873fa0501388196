//! Everything that is written can be read: in every state that the app comes to, in both looks, at the smallest size and at others.

use view::Stage;
use window::Theme;

use crate::bench::Bench;
use crate::prepared;

/// The smallest window; a larger scale of the display or of the text comes to the same, because everything is laid
/// out in the window's own pixels, of which there are never fewer.
const SIZES: [(f32, f32); 4] = [(1024.0, 700.0), (1179.0, 760.0), (1280.0, 800.0), (1920.0, 1080.0)];

#[test]
fn no_text_is_cut_or_covered() {
    let mut wrong = Vec::new();
    let mut read = 0;
    let scenes = prepared::scenes();
    for theme in Theme::ALL {
        for size in SIZES {
            // Over a countdown nothing else is to be read.
            for scene in scenes.iter().filter(|scene| scene.name != "countdown") {
                let mut bench = Bench::open(theme, size);
                for update in &scene.updates {
                    bench.tell(update.clone());
                }
                read += bench.texts().len();
                let found = bench.unreadable();
                wrong.extend(
                    found.into_iter().map(|text| format!("{}, {theme:?}, {size:?}: {text}", scene.name)),
                );
            }
        }
    }
    assert!(read > 3_000, "only {read} texts were looked at");
    assert!(wrong.is_empty(), "{} of {read}:\n{}", wrong.len(), wrong.join("\n"));
}

/// A check that finds nothing wrong anywhere would prove nothing.
#[test]
fn a_text_without_room_is_found() {
    let mut snapshot = prepared::at(Stage::Tune).snapshot().clone();
    snapshot.shared.rig.text = "W".repeat(28);
    snapshot.shared.stages[1].result = "a result that is far too long for its place in the list ".repeat(4);
    let mut bench = Bench::showing(snapshot);
    let found = bench.unreadable();
    assert!(found.iter().any(|text| text.contains("WWWW")), "{found:?}");
    assert!(found.iter().any(|text| text.contains("far too long")), "{found:?}");
}
