//! The fuzzer of [`rinsebook_fuzz::entry`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::entry(data);
});
