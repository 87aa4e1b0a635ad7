//! The fuzzer of [`rinsebook_fuzz::tile`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::tile(data);
});
