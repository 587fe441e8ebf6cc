//! The typeface of everything drawn: measuring, wrapping, and keeping only what it can write.

use std::sync::{Arc, LazyLock};

use resvg::usvg::fontdb;
use ttf_parser::{Face, GlyphId};

/// Name of the embedded typeface, as its files spell it.
pub const FAMILY: &str = "Atkinson Hyperlegible Next";

static REGULAR: &[u8] = include_bytes!("../../ui/fonts/AtkinsonHyperlegibleNext_400Regular.ttf");
static SEMI_BOLD: &[u8] = include_bytes!("../../ui/fonts/AtkinsonHyperlegibleNext_600SemiBold.ttf");
static BOLD: &[u8] = include_bytes!("../../ui/fonts/AtkinsonHyperlegibleNext_700Bold.ttf");

/// Longest text taken from one field; what is longer ends in an ellipsis.
const LONGEST: usize = 4_000;

/// One of the three embedded weights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// 400.
    Regular,
    /// 600.
    SemiBold,
    /// 700.
    Bold,
}

impl Weight {
    /// Returns the number CSS knows it by.
    #[must_use]
    pub const fn css(self) -> u16 {
        match self {
            Self::Regular => 400,
            Self::SemiBold => 600,
            Self::Bold => 700,
        }
    }

    const fn data(self) -> &'static [u8] {
        match self {
            Self::Regular => REGULAR,
            Self::SemiBold => SEMI_BOLD,
            Self::Bold => BOLD,
        }
    }

    fn face(self) -> Option<&'static Face<'static>> {
        static FACES: LazyLock<[Option<Face<'static>>; 3]> =
            LazyLock::new(|| [Weight::Regular, Weight::SemiBold, Weight::Bold].map(|w| Face::parse(w.data(), 0).ok()));
        let [regular, semi_bold, bold] = &*FACES;
        match self {
            Self::Regular => regular.as_ref(),
            Self::SemiBold => semi_bold.as_ref(),
            Self::Bold => bold.as_ref(),
        }
    }
}

/// Returns a font database holding the embedded faces and nothing of the system's.
#[must_use]
pub fn faces() -> Arc<fontdb::Database> {
    static FACES: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
        let mut faces = fontdb::Database::new();
        for weight in [Weight::Regular, Weight::SemiBold, Weight::Bold] {
            faces.load_font_source(fontdb::Source::Binary(Arc::new(weight.data())));
        }
        Arc::new(faces)
    });
    Arc::clone(&FACES)
}

/// Returns the width of one line set in `size`, in the unit of `size`.
///
/// The sum of the advances: kerning only ever tightens this typeface by a little, so the true line is not longer by
/// anything that can be seen.
#[must_use]
pub fn width(text: &str, weight: Weight, size: f64) -> f64 {
    let Some(face) = weight.face() else {
        return 0.6 * size * count(text.chars().count());
    };
    let units = f64::from(face.units_per_em()).max(1.0);
    let advance = |c: char| {
        face.glyph_hor_advance(face.glyph_index(c).unwrap_or(GlyphId(0)))
            .unwrap_or(0)
    };
    text.chars().map(|c| f64::from(advance(c))).sum::<f64>() / units * size
}

/// Returns the text with one kind of space, nothing invisible, and "?" for what the typeface cannot write.
///
/// An XML file may not hold control characters at all, and a glyph that is missing would print as an empty box.
#[must_use]
pub fn clean(text: &str) -> String {
    let face = Weight::Regular.face();
    let mut cleaned = String::new();
    for c in text.chars().take(LONGEST) {
        if c.is_whitespace() || c.is_control() {
            if !cleaned.ends_with(' ') && !cleaned.is_empty() {
                cleaned.push(' ');
            }
        } else if face.is_none_or(|face| face.glyph_index(c).is_some()) {
            cleaned.push(c);
        } else if !is_joiner(c) {
            cleaned.push('?');
        }
    }
    if text.chars().nth(LONGEST).is_some() {
        cleaned.push('…');
    }
    cleaned.truncate(cleaned.trim_end().len());
    cleaned
}

/// Characters that only change their neighbours: joiners, direction marks, variation selectors, skin tones.
fn is_joiner(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FE00}'..='\u{FE0F}'
        | '\u{FEFF}' | '\u{1F3FB}'..='\u{1F3FF}' | '\u{E0000}'..='\u{E01EF}' | '\u{FFF0}'..='\u{FFFB}')
}

/// Returns the text broken into at most `most` lines no wider than `room`; a last line cut short ends in an ellipsis.
///
/// A word wider than the room is broken inside.
#[must_use]
pub fn wrap(text: &str, weight: Weight, size: f64, room: f64, most: usize) -> Vec<String> {
    let space = width(" ", weight, size);
    let mut lines: Vec<String> = Vec::new();
    // The line under construction and its width, kept together so that nothing is measured twice.
    let (mut line, mut filled) = (String::new(), 0.0);
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        if lines.len() > most {
            break;
        }
        let long = width(word, weight, size);
        if !line.is_empty() && filled + space + long <= room {
            line.push(' ');
            line.push_str(word);
            filled += space + long;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        filled = 0.0;
        if long <= room {
            line.push_str(word);
            filled = long;
            continue;
        }
        for c in word.chars() {
            let advance = width(c.encode_utf8(&mut [0; 4]), weight, size);
            if filled + advance > room && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
                filled = 0.0;
                if lines.len() > most {
                    break;
                }
            }
            line.push(c);
            filled += advance;
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            last.push('…');
            *last = shorten(last, weight, size, room);
        }
    }
    lines
}

/// Returns one line no wider than `room`, ending in an ellipsis where something had to go.
#[must_use]
pub fn shorten(text: &str, weight: Weight, size: f64, room: f64) -> String {
    if width(text, weight, size) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    let mut filled = width("…", weight, size);
    for c in text.trim_end_matches([' ', '…']).chars() {
        filled += width(c.encode_utf8(&mut [0; 4]), weight, size);
        if filled > room {
            break;
        }
        kept.push(c);
    }
    kept.truncate(kept.trim_end().len());
    kept.push('…');
    kept
}

/// Returns how many of something there are, as a real number.
#[must_use]
pub fn count(n: usize) -> f64 {
    u32::try_from(n).map_or(f64::from(u32::MAX), f64::from)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_embedded_face_is_found_under_its_family_and_weight() {
        let faces = faces();
        for weight in [Weight::Regular, Weight::SemiBold, Weight::Bold] {
            assert!(weight.face().is_some());
            let families = [fontdb::Family::Name(FAMILY)];
            let query = fontdb::Query {
                families: &families,
                weight: fontdb::Weight(weight.css()),
                ..Default::default()
            };
            let id = faces.query(&query).unwrap();
            assert_eq!(faces.face(id).unwrap().weight.0, weight.css());
        }
    }

    #[test]
    fn spanish_is_written_as_it_is_and_the_unwritable_is_marked() {
        assert_eq!(clean("¿mayo de 2029? ¡Ñandú, güero!"), "¿mayo de 2029? ¡Ñandú, güero!");
        assert_eq!(clean(" a\u{0}\tb\n\nc "), "a b c");
        assert_eq!(clean("tank \u{1F6BD}"), "tank ?");
    }

    proptest! {
        #[test]
        fn wrapped_lines_fit_and_lose_nothing_that_is_not_marked(text in "\\PC{0,200}", room in 30.0_f64..300.0, most in 1_usize..6) {
            let text = clean(&text);
            let lines = wrap(&text, Weight::Regular, 12.0, room, most);
            prop_assert!(lines.len() <= most);
            for line in &lines {
                prop_assert!(width(line, Weight::Regular, 12.0) <= room + 1e-9, "{line:?}");
            }
            let letters = |text: &str| text.chars().filter(|c| *c != ' ').collect::<String>();
            if !lines.last().is_some_and(|line| line.ends_with('…')) {
                prop_assert_eq!(letters(&lines.concat()), letters(&text));
            }
        }
    }
}
