//! The fuzzer of [`rinsebook_fuzz::proof`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::proof(data);
});
