//! From an SVG page to the files that are handed over: PDF with real text, and a picture for a phone.

use image::ImageEncoder as _;
use krilla::Document;
use krilla::geom::Size;
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla_svg::{SurfaceExt as _, SvgSettings};
use resvg::{tiny_skia, usvg};

use crate::say::lettering;

/// Width of a picture that fills a phone's screen.
pub const PHONE_WIDTH_PX: u32 = 1_080;

/// A finished page.
#[derive(Clone, Debug, PartialEq)]
pub struct CardPage {
    /// The page as SVG in points.
    pub svg: String,
    /// Title of the document.
    pub title: String,
    /// Language of the document.
    pub language: String,
    /// Width in points.
    pub width_pt: f64,
    /// Height in points.
    pub height_pt: f64,
    /// How many lines had to be folded into "and n more", for the person who prints it to know.
    pub left_out: usize,
}

/// Why a page could not be made into a file.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// The page is not a drawing that can be read.
    #[error("the page cannot be drawn")]
    Drawing {
        /// What the reader of the drawing found.
        source: usvg::Error,
    },
    /// The page's size is not one a PDF or a picture can have.
    #[error("a page of {width_pt} x {height_pt} pt cannot be made")]
    PageSize {
        /// Asked for.
        width_pt: f32,
        /// Asked for.
        height_pt: f32,
    },
    /// The picture would be empty or far too large.
    #[error("a picture {width_px} pixels wide cannot be made")]
    PictureSize {
        /// Asked for.
        width_px: u32,
    },
    /// The PDF could not be put together.
    #[error("the PDF could not be put together: {detail}")]
    Pdf {
        /// What the PDF writer found.
        detail: String,
    },
    /// The picture could not be written.
    #[error("the picture could not be written")]
    Picture {
        /// What the picture writer found.
        source: image::ImageError,
    },
}

/// Size of the sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageSize {
    /// 8.5 x 11 in.
    Letter,
    /// 210 x 297 mm, to the nearest point.
    A4,
    /// A narrow sheet to be read on a telephone, type as large as on paper and as long as the words need.
    Phone,
}

impl PageSize {
    /// Returns width and height in points of 1/72 in; a telephone's height is the least one.
    #[must_use]
    pub const fn points(self) -> (f64, f64) {
        match self {
            Self::Letter => (612.0, 792.0),
            Self::A4 => (595.0, 842.0),
            Self::Phone => (390.0, 844.0),
        }
    }

    /// Heights a sheet may have, the first that is enough is taken.
    #[must_use]
    pub const fn heights(self) -> &'static [f64] {
        match self {
            Self::Letter => &[792.0],
            Self::A4 => &[842.0],
            Self::Phone => &[844.0, 920.0, 1_000.0, 1_100.0, 1_250.0, 1_500.0, 1_900.0],
        }
    }
}

/// Writes text so that it can stand in an SVG.
#[must_use]
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Reads an SVG with the embedded typeface only.
///
/// # Errors
///
/// [`PaperError::Drawing`] when it is not a valid SVG.
pub fn read_svg(svg: &str) -> Result<usvg::Tree, PaperError> {
    let options = usvg::Options {
        font_family: lettering::FAMILY.to_owned(),
        fontdb: lettering::faces(),
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(svg, &options).map_err(|source| PaperError::Drawing { source })
}

/// Returns a one-page PDF: exact page size, selectable text, embedded fonts, title and language.
///
/// The same page always gives the same bytes: no clock, no random id.
///
/// # Errors
///
/// See [`PaperError`].
pub fn pdf(page: &CardPage) -> Result<Vec<u8>, PaperError> {
    pdf_of(std::slice::from_ref(page))
}

/// Returns a PDF of several pages; the first gives the document its title and language.
///
/// # Errors
///
/// See [`PaperError`].
pub fn pdf_of(pages: &[CardPage]) -> Result<Vec<u8>, PaperError> {
    let mut document = Document::new();
    for page in pages {
        let tree = read_svg(&page.svg)?;
        let (width_pt, height_pt) = (tree.size().width(), tree.size().height());
        let wrong_size = PaperError::PageSize { width_pt, height_pt };
        let (Some(settings), Some(size)) = (
            PageSettings::from_wh(width_pt, height_pt),
            Size::from_wh(width_pt, height_pt),
        ) else {
            return Err(wrong_size);
        };
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        let drawn = surface.draw_svg(&tree, size, SvgSettings::default());
        surface.finish();
        sheet.finish();
        if drawn.is_none() {
            return Err(wrong_size);
        }
    }
    if let Some(first) = pages.first() {
        document.set_metadata(
            Metadata::new()
                .title(first.title.clone())
                .language(first.language.clone()),
        );
    }
    document.finish().map_err(|error| PaperError::Pdf {
        detail: format!("{error:?}"),
    })
}

/// Returns a PNG of the page, `width_px` wide and as high as the page's shape asks.
///
/// # Errors
///
/// See [`PaperError`].
pub fn png(page: &CardPage, width_px: u32) -> Result<Vec<u8>, PaperError> {
    let tree = read_svg(&page.svg)?;
    let wrong_size = || PaperError::PictureSize { width_px };
    if !(16..=8_192).contains(&width_px) {
        return Err(wrong_size());
    }
    let size = tree
        .size()
        .to_int_size()
        .scale_to_width(width_px)
        .ok_or_else(wrong_size)?;
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height()).ok_or_else(wrong_size)?;
    pixels.fill(tiny_skia::Color::WHITE);
    let scale = |to: u32, from: f32| tree_scale(to, from).ok_or_else(wrong_size);
    let (across, down) = (
        scale(size.width(), tree.size().width())?,
        scale(size.height(), tree.size().height())?,
    );
    resvg::render(
        &tree,
        tiny_skia::Transform::from_scale(across, down),
        &mut pixels.as_mut(),
    );
    // Opaque all over, so premultiplied and plain colours are the same.
    let rgb: Vec<u8> = pixels
        .pixels()
        .iter()
        .flat_map(|p| [p.red(), p.green(), p.blue()])
        .collect();
    let mut png = Vec::new();
    image::codecs::png::PngEncoder::new(&mut png)
        .write_image(&rgb, size.width(), size.height(), image::ExtendedColorType::Rgb8)
        .map_err(|source| PaperError::Picture { source })?;
    Ok(png)
}

/// How many pixels one unit of the page becomes.
fn tree_scale(pixels: u32, units: f32) -> Option<f32> {
    // A picture is at most 8192 wide, and a page's other side a few times that: u16 holds it exactly.
    let scale = f32::from(u16::try_from(pixels).ok()?) / units;
    (scale.is_finite() && scale > 0.0).then_some(scale)
}
