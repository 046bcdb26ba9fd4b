//! Ctrl-C and the polite signal end a program in order.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// A flag that the first signal sets; the second ends the program at once.
pub(crate) fn stop_flag() -> Result<Arc<AtomicBool>, String> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&stop))
            .and_then(|_| signal_hook::flag::register(signal, Arc::clone(&stop)))
            .map_err(|error| format!("system: signals cannot be caught ({error})"))?;
    }
    Ok(stop)
}
