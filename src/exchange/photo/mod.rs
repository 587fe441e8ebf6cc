//! Photos: any picture file in, an upright JPEG of a known size, its thumbnail and what the camera noted out.
//!
//! A file is looked through before it is decoded: what it says about itself decides how much memory decoding may take,
//! and a file that says more than it can hold is refused. Nothing here reads or writes a file; bytes come in.
//!
//! | limit | value | why |
//! |---|---|---|
//! | file | [`MAX_FILE_BYTES`] | read into memory whole |
//! | picture | [`MAX_PIXELS`] | phones in use write up to 50 megapixels |
//! | progressive JPEG | [`MAX_PROGRESSIVE_PIXELS`] | all its coefficients are held at once, in full size |
//! | decoded PNG or WebP | [`MAX_DECODED_BYTES`] | these cannot be scaled while decoding |

mod camera;
mod jpeg;

pub use camera::CameraFacts;

use fast_image_resize::images::{Image, ImageRef};
use fast_image_resize::{FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer};
use image::codecs::{png::PngDecoder, webp::WebPDecoder};
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, RgbImage};
use sha2::{Digest, Sha256};
use std::io::Cursor;

/// The long side of a kept photo. A smaller picture stays as small as it is.
pub const LONG_SIDE_PX: u32 = 1_600;
/// The long side of a thumbnail.
pub const THUMB_SIDE_PX: u32 = 320;
/// The largest file that is looked at.
pub const MAX_FILE_BYTES: usize = 64 << 20;
/// The largest picture that is decoded.
pub const MAX_PIXELS: u64 = 64_000_000;
/// The largest progressive JPEG that is decoded.
pub const MAX_PROGRESSIVE_PIXELS: u64 = 24_000_000;
/// The most a PNG or WebP may take once decoded.
pub const MAX_DECODED_BYTES: u64 = 128 << 20;
/// JPEG quality of a kept photo, and of its thumbnail. With code tables made for each picture it takes as many bytes as 85
/// does with the tables of the standard.
const QUALITY: u8 = 86;

/// Why a file cannot be kept as a photo.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PhotoError {
    /// The file holds nothing.
    #[error("the file is empty")]
    Empty,
    /// The file is larger than [`MAX_FILE_BYTES`].
    #[error("the file has {megabytes} MB; at most {} MB are read", MAX_FILE_BYTES >> 20)]
    TooManyBytes {
        /// Its size in whole megabytes.
        megabytes: u64,
    },
    /// The file does not begin like any picture known here.
    #[error("the file is no picture this program knows")]
    NotAPicture,
    /// HEIC or AVIF, the form some phones take pictures in.
    #[error("the file is a HEIC or AVIF picture, which this program cannot read")]
    Heic,
    /// A file of some other form.
    #[error("the file is {name}, which this program does not read")]
    OtherFormat {
        /// The form's own short name, the same in every language.
        name: &'static str,
    },
    /// More pixels than are decoded.
    #[error("the picture has {megapixels} megapixels; at most {most} are read")]
    TooManyPixels {
        /// Whole megapixels, rounded up.
        megapixels: u64,
        /// The most that are read of this form.
        most: u64,
    },
    /// A side is zero.
    #[error("the picture has no size")]
    NoSize,
    /// The file says it holds more than it can.
    #[error("the file says it holds {width} x {height} pixels, and is too small for that")]
    Lying {
        /// Said width.
        width: u32,
        /// Said height.
        height: u32,
    },
    /// The end is missing.
    #[error("the end of the file is missing")]
    CutShort,
    /// More than one picture, shown one after the other.
    #[error("the file is a moving picture")]
    Moving,
    /// A sound JPEG of a rare kind that is not decoded.
    #[error("the picture is of a kind that is not read: {what}")]
    Unsupported {
        /// Which kind, in the words of its standard.
        what: &'static str,
    },
    /// What is inside does not follow the form.
    #[error("the picture is damaged: {detail}")]
    Damaged {
        /// What the decoder said.
        detail: String,
    },
}

/// A photo, ready to be kept.
#[derive(Clone, PartialEq, Eq)]
pub struct Prepared {
    /// The upright picture as JPEG.
    pub jpeg: Vec<u8>,
    /// Its thumbnail as JPEG.
    pub thumbnail: Vec<u8>,
    /// SHA-256 of `jpeg`, 64 lower-case hex digits.
    pub hash: String,
    /// Width of the upright picture.
    pub width_px: u32,
    /// Height of the upright picture.
    pub height_px: u32,
    /// What the camera noted about the moment and the place.
    pub camera: CameraFacts,
}

impl std::fmt::Debug for Prepared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Prepared")
            .field("hash", &self.hash)
            .field("width_px", &self.width_px)
            .field("height_px", &self.height_px)
            .field("camera", &self.camera)
            .finish_non_exhaustive()
    }
}

/// What a file is, by its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Jpeg,
    Png,
    Webp,
}

/// Turns a picture file into a photo to keep.
///
/// * `keep_camera_data`: the file's EXIF goes into the kept JPEG as it was, only its orientation set to upright;
///   otherwise nothing of it stays but what [`Prepared::camera`] holds
///
/// # Errors
/// [`PhotoError`] saying what is wrong with the file.
pub fn prepare(bytes: &[u8], keep_camera_data: bool) -> Result<Prepared, PhotoError> {
    if bytes.len() > MAX_FILE_BYTES {
        return Err(PhotoError::TooManyBytes {
            megabytes: megabytes(bytes.len()),
        });
    }
    let form = form_of(bytes)?;
    let camera = camera::read(bytes);
    let small = match form {
        Form::Jpeg => jpeg::decode(bytes, LONG_SIDE_PX)?,
        Form::Png => decode_png(bytes)?,
        Form::Webp => decode_webp(bytes)?,
    };
    let upright = turn(fit(small, LONG_SIDE_PX)?, camera.orientation);
    let exif = camera.exif.filter(|_| keep_camera_data);
    let jpeg = encode(&upright, exif)?;
    let thumbnail = encode(&fit_ref(&upright, THUMB_SIDE_PX)?, None)?;
    Ok(Prepared {
        hash: hash_of(&jpeg),
        width_px: upright.width(),
        height_px: upright.height(),
        jpeg,
        thumbnail,
        camera: camera.facts,
    })
}

/// Decodes a kept photo or thumbnail for the screen.
///
/// # Errors
/// [`PhotoError`] when it is no longer what was kept.
pub fn decode_kept(bytes: &[u8]) -> Result<RgbImage, PhotoError> {
    match form_of(bytes)? {
        Form::Jpeg => jpeg::decode(bytes, LONG_SIDE_PX),
        Form::Png | Form::Webp => Err(PhotoError::NotAPicture),
    }
}

/// Returns the SHA-256 of some bytes as 64 lower-case hex digits.
#[must_use]
pub fn hash_of(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    Sha256::digest(bytes)
        .iter()
        .fold(String::with_capacity(64), |mut hex, byte| {
            // Writing to a String cannot fail.
            let _ = write!(hex, "{byte:02x}");
            hex
        })
}

/// Whole megabytes, rounded up.
#[must_use]
pub fn megabytes(bytes: usize) -> u64 {
    u64::try_from(bytes.div_ceil(1 << 20)).unwrap_or(u64::MAX)
}

/// Recognises a file by its first bytes; the name of a file says nothing.
fn form_of(bytes: &[u8]) -> Result<Form, PhotoError> {
    if bytes.is_empty() {
        return Err(PhotoError::Empty);
    }
    let begins = |magic: &[u8]| bytes.starts_with(magic);
    let at = |from: usize, magic: &[u8]| bytes.get(from..).is_some_and(|rest| rest.starts_with(magic));
    if begins(&[0xFF, 0xD8]) {
        return Ok(Form::Jpeg);
    }
    if begins(b"\x89PNG\r\n\x1a\n") {
        return Ok(Form::Png);
    }
    if begins(b"RIFF") && at(8, b"WEBP") {
        return Ok(Form::Webp);
    }
    if at(4, b"ftyp") {
        // ISO/IEC 14496-12: the brands of a still picture; HEIC and AVIF share the box structure.
        let brands: [&[u8]; 10] = [
            b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis",
        ];
        if brands.iter().any(|brand| at(8, brand)) {
            return Err(PhotoError::Heic);
        }
        return Err(PhotoError::OtherFormat { name: "MP4" });
    }
    let others: [(&[u8], &str); 7] = [
        (b"GIF8", "GIF"),
        (b"BM", "BMP"),
        (b"II*\0", "TIFF"),
        (b"MM\0*", "TIFF"),
        (b"%PDF", "PDF"),
        (b"\0\0\0\x0cJXL ", "JPEG XL"),
        (b"\xff\x0a", "JPEG XL"),
    ];
    for (magic, name) in others {
        if begins(magic) {
            return Err(PhotoError::OtherFormat { name });
        }
    }
    Err(PhotoError::NotAPicture)
}

/// Refuses a size that is nothing or more than is decoded.
fn check_size(width: u32, height: u32, most: u64) -> Result<(), PhotoError> {
    let pixels = u64::from(width) * u64::from(height);
    if pixels == 0 {
        return Err(PhotoError::NoSize);
    }
    if pixels > most {
        return Err(PhotoError::TooManyPixels {
            megapixels: pixels.div_ceil(1_000_000),
            most: most / 1_000_000,
        });
    }
    Ok(())
}

fn damaged(error: &impl std::fmt::Display) -> PhotoError {
    PhotoError::Damaged {
        detail: error.to_string(),
    }
}

fn image_error(error: image::ImageError) -> PhotoError {
    match error {
        image::ImageError::IoError(source) if source.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::CutShort
        }
        other => damaged(&other),
    }
}

fn decode_png(bytes: &[u8]) -> Result<RgbImage, PhotoError> {
    // The size stands at a fixed place (PNG, 11.2.1 IHDR); the decoder would reserve memory for it.
    let side = |at: usize| {
        let digits = bytes.get(at..at + 4).and_then(|four| <[u8; 4]>::try_from(four).ok());
        digits.map(u32::from_be_bytes).ok_or(PhotoError::CutShort)
    };
    check_size(side(16)?, side(20)?, MAX_PIXELS)?;
    let decoder = PngDecoder::new(Cursor::new(bytes)).map_err(image_error)?;
    if decoder.is_apng().map_err(image_error)? {
        return Err(PhotoError::Moving);
    }
    let (width, height) = decoder.dimensions();
    // PNG is packed by DEFLATE, which packs no tighter than 1032 to 1 (RFC 1951: a block of 258-byte matches of one bit each,
    // as zlib's own documentation counts it). One row in eight bits is the least a picture unpacks to.
    let least = u64::from(width).div_ceil(8) * u64::from(height) / 1_032;
    if least > bytes.len() as u64 {
        return Err(PhotoError::Lying { width, height });
    }
    decode_whole(decoder)
}

fn decode_webp(bytes: &[u8]) -> Result<RgbImage, PhotoError> {
    let decoder = WebPDecoder::new(Cursor::new(bytes)).map_err(image_error)?;
    if decoder.has_animation() {
        return Err(PhotoError::Moving);
    }
    let (width, height) = decoder.dimensions();
    check_size(width, height, MAX_PIXELS)?;
    decode_whole(decoder)
}

/// Decodes a picture in one piece and lays what is see-through on white.
fn decode_whole(decoder: impl ImageDecoder) -> Result<RgbImage, PhotoError> {
    let (width, height) = decoder.dimensions();
    if decoder.total_bytes() > MAX_DECODED_BYTES {
        let per_pixel = u64::from(decoder.color_type().bytes_per_pixel()).max(1);
        return Err(PhotoError::TooManyPixels {
            megapixels: (u64::from(width) * u64::from(height)).div_ceil(1_000_000),
            most: MAX_DECODED_BYTES / per_pixel / 1_000_000,
        });
    }
    let whole = DynamicImage::from_decoder(decoder).map_err(image_error)?;
    if !whole.color().has_alpha() {
        return Ok(whole.into_rgb8());
    }
    let mut paper = RgbImage::new(width, height);
    for (onto, from) in paper.pixels_mut().zip(whole.to_rgba8().pixels()) {
        let [red, green, blue, alpha] = from.0;
        let over = |ink: u8| {
            let mixed = (u16::from(ink) * u16::from(alpha) + 255 * (255 - u16::from(alpha)) + 127) / 255;
            u8::try_from(mixed).unwrap_or(255)
        };
        onto.0 = [over(red), over(green), over(blue)];
    }
    Ok(paper)
}

/// The size with a long side of at most `side`, in the same proportions.
fn fitted(width: u32, height: u32, side: u32) -> (u32, u32) {
    let long = width.max(height);
    if long <= side {
        return (width, height);
    }
    let scaled = |length: u32| {
        let rounded = (u64::from(length) * u64::from(side) + u64::from(long) / 2) / u64::from(long);
        u32::try_from(rounded).unwrap_or(side).clamp(1, side)
    };
    (scaled(width), scaled(height))
}

fn fit(picture: RgbImage, side: u32) -> Result<RgbImage, PhotoError> {
    if picture.width().max(picture.height()) <= side {
        return Ok(picture);
    }
    fit_ref(&picture, side)
}

/// Scales down with a Lanczos window of three, the usual choice for photographs.
fn fit_ref(picture: &RgbImage, side: u32) -> Result<RgbImage, PhotoError> {
    let (width, height) = fitted(picture.width(), picture.height(), side);
    let from = ImageRef::new(picture.width(), picture.height(), picture.as_raw(), PixelType::U8x3)
        .map_err(|error| damaged(&error))?;
    let mut to = Image::new(width, height, PixelType::U8x3);
    let lanczos = ResizeOptions::new().resize_alg(ResizeAlg::Convolution(FilterType::Lanczos3));
    Resizer::new()
        .resize(&from, &mut to, &lanczos)
        .map_err(|error| damaged(&error))?;
    RgbImage::from_raw(width, height, to.into_vec()).ok_or(PhotoError::NoSize)
}

fn turn(picture: RgbImage, orientation: Orientation) -> RgbImage {
    if orientation == Orientation::NoTransforms {
        return picture;
    }
    let mut turned = DynamicImage::ImageRgb8(picture);
    turned.apply_orientation(orientation);
    turned.into_rgb8()
}

fn encode(picture: &RgbImage, exif: Option<Vec<u8>>) -> Result<Vec<u8>, PhotoError> {
    let (Ok(width), Ok(height)) = (u16::try_from(picture.width()), u16::try_from(picture.height())) else {
        return Err(PhotoError::NoSize);
    };
    let mut jpeg = Vec::with_capacity(picture.as_raw().len() / 12);
    let mut encoder = jpeg_encoder::Encoder::new(&mut jpeg, QUALITY);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    encoder.set_optimized_huffman_tables(true);
    if let Some(exif) = exif {
        encoder.add_exif_metadata(&exif).map_err(|error| damaged(&error))?;
    }
    encoder
        .encode(picture.as_raw(), width, height, jpeg_encoder::ColorType::Rgb)
        .map_err(|error| damaged(&error))?;
    Ok(jpeg)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_long_side_fits_and_the_proportions_stay() {
        assert_eq!(fitted(4_000, 3_000, 1_600), (1_600, 1_200));
        assert_eq!(fitted(3_000, 4_000, 1_600), (1_200, 1_600));
        assert_eq!(fitted(800, 600, 1_600), (800, 600));
        // A strip keeps a width of one pixel at the least.
        assert_eq!(fitted(1, 60_000, 1_600), (1, 1_600));
    }

    #[test]
    fn a_hash_is_the_published_one() {
        // FIPS 180-4 example, NIST "SHA256.pdf": the message "abc".
        assert_eq!(
            hash_of(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_file_is_known_by_its_first_bytes() {
        assert_eq!(form_of(b""), Err(PhotoError::Empty));
        assert_eq!(form_of(b"\0\0\0\x18ftypheic"), Err(PhotoError::Heic));
        assert_eq!(form_of(b"GIF89a"), Err(PhotoError::OtherFormat { name: "GIF" }));
        assert_eq!(form_of(b"hello"), Err(PhotoError::NotAPicture));
        assert_eq!(form_of(&[0xFF, 0xD8]), Ok(Form::Jpeg));
    }
}
