//! A clock that nobody can set: seconds since the device was started, sleep included.

use crate::app::session::{Steady, SteadyClock};

/// Returns the device's own, which tells nothing where the system keeps none.
#[must_use]
pub fn clock() -> SteadyClock {
    Box::new(now)
}

/// `CLOCK_BOOTTIME` of Linux and Android, and which start it counts from (proc(5), `random/boot_id`).
#[cfg(any(target_os = "linux", target_os = "android"))]
fn now() -> Option<Steady> {
    use rustix::time::{ClockId, clock_gettime};
    // Without knowing which start it is, a count from before and one from after a restart could not be told apart.
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let boot = boot.trim();
    (!boot.is_empty()).then(|| Steady {
        boot: boot.to_owned(),
        seconds: clock_gettime(ClockId::Boottime).tv_sec,
    })
}

#[cfg(not(any(target_os = "linux", target_os = "android")))]
const fn now() -> Option<Steady> {
    None
}

#[cfg(all(test, target_os = "linux"))]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Against what the system itself says, proc(5): the first figure of `/proc/uptime` is the time since the start.
    #[test]
    fn it_is_the_time_since_the_start() {
        let text = std::fs::read_to_string("/proc/uptime").unwrap();
        let uptime: f64 = text.split(' ').next().unwrap().parse().unwrap();
        let steady = now().unwrap();
        #[expect(clippy::cast_precision_loss, reason = "seconds since a start")]
        let apart = (steady.seconds as f64 - uptime).abs();
        assert!(apart < 60.0, "{steady:?} against {uptime}");
        assert_eq!(now().unwrap().boot, steady.boot);
    }
}
