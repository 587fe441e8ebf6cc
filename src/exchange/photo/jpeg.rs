//! JPEG: looked through marker by marker (ITU-T T.81, annex B), then decoded at the smallest scale that is large enough.

use super::{MAX_PIXELS, MAX_PROGRESSIVE_PIXELS, PhotoError, check_size, damaged, fitted};
use image::RgbImage;
use jpeg_decoder::{Decoder, Error, PixelFormat, UnsupportedFeature};

/// What a JPEG says about itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Outline {
    width: u16,
    height: u16,
    progressive: bool,
}

/// Decodes a JPEG, scaled down while decoding to no less than `side` on its long side.
pub(super) fn decode(bytes: &[u8], side: u32) -> Result<RgbImage, PhotoError> {
    let outline = look_through(bytes)?;
    let (width, height) = (u32::from(outline.width), u32::from(outline.height));
    let most = if outline.progressive {
        MAX_PROGRESSIVE_PIXELS
    } else {
        MAX_PIXELS
    };
    check_size(width, height, most)?;
    let mut decoder = Decoder::new(bytes);
    let (wide, high) = fitted(width, height, side);
    let request = |length: u32| u16::try_from(length).unwrap_or(u16::MAX);
    let (width, height) = decoder.scale(request(wide), request(high)).map_err(refused)?;
    let pixels = decoder.decode().map_err(refused)?;
    let format = decoder.info().map(|info| info.pixel_format);
    let rgb = match format {
        Some(PixelFormat::RGB24) => pixels,
        Some(PixelFormat::L8) => pixels.into_iter().flat_map(|grey| [grey; 3]).collect(),
        Some(PixelFormat::CMYK32) => pixels.chunks_exact(4).flat_map(ink_to_light).collect(),
        Some(PixelFormat::L16) | None => return Err(PhotoError::Unsupported { what: "16-bit JPEG" }),
    };
    RgbImage::from_raw(u32::from(width), u32::from(height), rgb).ok_or_else(|| damaged(&"the rows are too short"))
}

/// Light that the four inks leave, each taking its share away. For printed pictures this is an approximation.
fn ink_to_light(inks: &[u8]) -> [u8; 3] {
    let &[cyan, magenta, yellow, black] = inks else {
        return [0; 3];
    };
    let left = |ink: u8| {
        let product = u16::from(255 - ink) * u16::from(255 - black);
        u8::try_from((product + 127) / 255).unwrap_or(255)
    };
    [left(cyan), left(magenta), left(yellow)]
}

fn refused(error: Error) -> PhotoError {
    match error {
        Error::Io(source) if source.kind() == std::io::ErrorKind::UnexpectedEof => PhotoError::CutShort,
        Error::Unsupported(feature) => PhotoError::Unsupported {
            what: match feature {
                UnsupportedFeature::ArithmeticEntropyCoding => "arithmetic coding",
                UnsupportedFeature::SamplePrecision(_) => "more than 8 bits a sample",
                UnsupportedFeature::Hierarchical => "hierarchical JPEG",
                UnsupportedFeature::ComponentCount(_) => "an odd number of colours",
                UnsupportedFeature::DNL => "a height given only at the end",
                UnsupportedFeature::SubsamplingRatio | UnsupportedFeature::NonIntegerSubsamplingRatio => {
                    "odd colour sampling"
                }
                UnsupportedFeature::ColorTransform(_) => "odd colours",
            },
        },
        other => damaged(&other),
    }
}

/// Reads the markers of a JPEG without decoding it.
fn look_through(bytes: &[u8]) -> Result<Outline, PhotoError> {
    let mut at = 2;
    let mut outline: Option<Outline> = None;
    let mut coded_bytes = 0_usize;
    let complete = loop {
        let Some(marker) = next_marker(bytes, &mut at) else {
            break false;
        };
        match marker {
            0xD9 => break true,
            // Markers without a segment.
            0x01 | 0xD0..=0xD8 => continue,
            _ => {}
        }
        let Some(length) = word(bytes, at).map(usize::from) else {
            break false;
        };
        if length < 2 {
            return Err(damaged(&"a segment without a length"));
        }
        // SOF0 to SOF15; C4, C8 and CC are tables and an extension, not frames.
        if matches!(marker, 0xC0..=0xCF) && !matches!(marker, 0xC4 | 0xC8 | 0xCC) {
            if outline.is_some() {
                return Err(PhotoError::Unsupported {
                    what: "hierarchical JPEG",
                });
            }
            outline = Some(frame(bytes, at, marker)?);
        }
        at += length;
        if marker == 0xDA {
            let begin = at;
            skip_coded(bytes, &mut at);
            coded_bytes += at.saturating_sub(begin);
        }
    };
    let Some(outline) = outline else {
        return Err(if complete {
            damaged(&"no picture between its markers")
        } else {
            PhotoError::CutShort
        });
    };
    // Every 8 x 8 block of the largest component takes at least the one bit of its first code (T.81, F.1.2.1).
    // The components may be sampled at a quarter of each side, so that one block stands for 32 x 32 pixels.
    let blocks = usize::from(outline.width).div_ceil(32) * usize::from(outline.height).div_ceil(32);
    if coded_bytes.saturating_mul(8) < blocks {
        return Err(if complete || coded_bytes > 0 {
            PhotoError::Lying {
                width: outline.width.into(),
                height: outline.height.into(),
            }
        } else {
            PhotoError::CutShort
        });
    }
    if complete {
        Ok(outline)
    } else {
        Err(PhotoError::CutShort)
    }
}

fn frame(bytes: &[u8], at: usize, marker: u8) -> Result<Outline, PhotoError> {
    let (Some(&precision), Some(height), Some(width)) = (bytes.get(at + 2), word(bytes, at + 3), word(bytes, at + 5))
    else {
        return Err(PhotoError::CutShort);
    };
    let what = match marker {
        0xC0..=0xC2 if precision == 8 => {
            return Ok(Outline {
                width,
                height,
                progressive: marker == 0xC2,
            });
        }
        0xC0..=0xC2 => "more than 8 bits a sample",
        0xC3 => "lossless JPEG",
        0xC9..=0xCB => "arithmetic coding",
        _ => "hierarchical JPEG",
    };
    Err(PhotoError::Unsupported { what })
}

fn word(bytes: &[u8], at: usize) -> Option<u16> {
    let two = bytes.get(at..at.checked_add(2)?)?;
    Some(u16::from_be_bytes(two.try_into().ok()?))
}

/// Steps over what lies between segments and returns the next marker, `at` behind it.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        while *bytes.get(*at)? != 0xFF {
            *at += 1;
        }
        while *bytes.get(*at)? == 0xFF {
            *at += 1;
        }
        let marker = *bytes.get(*at)?;
        *at += 1;
        if marker != 0 {
            return Some(marker);
        }
    }
}

/// Steps over coded data: in it, 0xFF is followed by a zero or a restart marker (T.81, B.1.1.5).
fn skip_coded(bytes: &[u8], at: &mut usize) {
    while let Some(found) = bytes
        .get(*at..)
        .and_then(|rest| rest.iter().position(|byte| *byte == 0xFF))
    {
        *at += found;
        match bytes.get(*at + 1) {
            Some(0 | 0xD0..=0xD7) => *at += 2,
            Some(0xFF) => *at += 1,
            Some(_) => return,
            None => break,
        }
    }
    *at = bytes.len();
}
