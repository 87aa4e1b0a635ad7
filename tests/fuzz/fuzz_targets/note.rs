//! The fuzzer of [`rinsebook_fuzz::note`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::note(data);
});
