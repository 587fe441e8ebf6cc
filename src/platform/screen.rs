//! Pictures of the app's screens without a display.
//!
//! The software renderer that draws the window on a desktop draws into memory, so a
//! picture shows what a person would see. The demo and the reviews by eye use it.

use std::cell::Cell;
use std::rc::Rc;
use std::time::Duration;

use image::RgbaImage;
use slint::platform::software_renderer::{MinimalSoftwareWindow, RepaintBufferType};
use slint::platform::{Platform, WindowAdapter, WindowEvent};
use slint::{PhysicalSize, PlatformError};

/// The largest side of a picture, in physical pixels.
///
/// A picture holds four bytes a pixel; this keeps the largest one at 256 MiB.
pub const MAX_SIDE_PX: u32 = 8_192;

/// How long animations are given to settle before the picture is taken.
const SETTLE: Duration = Duration::from_secs(2);

/// Why no picture could be made.
#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    /// This thread already draws to a display (or to another kind of picture).
    #[error("this thread already has a display")]
    DisplayInUse { source: slint::platform::SetPlatformError },
    /// The asked size is nothing, or larger than [`MAX_SIDE_PX`].
    #[error(
        "a picture of {width_dp} x {height_dp} dp at scale {scale} cannot be drawn: each side needs 1 to {MAX_SIDE_PX} pixels"
    )]
    Size { width_dp: u16, height_dp: u16, scale: f32 },
    /// The renderer refused.
    #[error("the screen could not be drawn")]
    Draw { source: PlatformError },
}

thread_local! {
    static INSTALLED: Cell<bool> = const { Cell::new(false) };
    /// The time that animations and timers see; only [`snapshot`] moves it.
    static NOW: Cell<Duration> = const { Cell::new(Duration::ZERO) };
}

struct PictureFrame;

impl Platform for PictureFrame {
    fn create_window_adapter(&self) -> Result<Rc<dyn WindowAdapter>, PlatformError> {
        Ok(MinimalSoftwareWindow::new(RepaintBufferType::NewBuffer))
    }

    fn duration_since_start(&self) -> Duration {
        NOW.get()
    }
}

/// Makes windows created on this thread draw into memory instead of on a display.
///
/// Call it before the first window. A second call on the same thread does nothing.
///
/// # Errors
/// [`PictureError::DisplayInUse`] when the thread already has a display.
pub fn install() -> Result<(), PictureError> {
    if INSTALLED.get() {
        return Ok(());
    }
    slint::platform::set_platform(Box::new(PictureFrame)).map_err(|source| PictureError::DisplayInUse { source })?;
    INSTALLED.set(true);
    Ok(())
}

/// Draws the window at a size in dp and returns the picture in physical pixels.
///
/// * `width_dp`, `height_dp`: the size of the screen, dp
/// * `scale`: physical pixels per dp
///
/// # Errors
/// [`PictureError::Size`] for a size that cannot be drawn, [`PictureError::Draw`] when the renderer refuses.
pub fn snapshot(window: &slint::Window, width_dp: u16, height_dp: u16, scale: f32) -> Result<RgbaImage, PictureError> {
    let refused = || PictureError::Size {
        width_dp,
        height_dp,
        scale,
    };
    let width = pixels(width_dp, scale).ok_or_else(refused)?;
    let height = pixels(height_dp, scale).ok_or_else(refused)?;
    let draw = |source| PictureError::Draw { source };

    // The scale comes first: the size is in physical pixels and would be divided by the old scale.
    window
        .dispatch_event_with_result(WindowEvent::ScaleFactorChanged { scale_factor: scale })
        .map_err(draw)?;
    window.set_size(PhysicalSize::new(width, height));
    window.show().map_err(draw)?;
    // Once for what the new size changes, once for what those changes ask for in turn.
    for _ in 0..2 {
        NOW.set(NOW.get() + SETTLE);
        slint::platform::update_timers_and_animations();
        window.take_snapshot().map_err(draw)?;
    }
    let buffer = window.take_snapshot().map_err(draw)?;
    RgbaImage::from_raw(buffer.width(), buffer.height(), buffer.as_bytes().to_vec()).ok_or_else(refused)
}

/// Rounds a side to whole physical pixels, or nothing when it cannot be drawn.
fn pixels(side_dp: u16, scale: f32) -> Option<u32> {
    let side = (f32::from(side_dp) * scale).round();
    // Counting up instead of casting: a cast would turn NaN into 0 silently.
    (1..=MAX_SIDE_PX)
        .find(|&candidate| u16::try_from(candidate).is_ok_and(|candidate| (f32::from(candidate) - side).abs() < 0.5))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_side_is_rounded_to_whole_pixels_and_nonsense_is_refused() {
        assert_eq!(pixels(412, 2.625), Some(1_082)); // 1081.5, rounded away from zero
        assert_eq!(pixels(360, 1.0), Some(360));
        assert_eq!(pixels(0, 1.0), None);
        assert_eq!(pixels(412, 0.0), None);
        assert_eq!(pixels(412, -1.0), None);
        assert_eq!(pixels(412, f32::NAN), None);
        assert_eq!(pixels(412, f32::INFINITY), None);
        assert_eq!(pixels(u16::MAX, 1.0), None);
    }
}
