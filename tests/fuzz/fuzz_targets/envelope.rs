//! The fuzzer of [`rinsebook_fuzz::envelope`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::envelope(data);
});
