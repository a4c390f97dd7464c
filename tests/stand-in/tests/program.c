/* A program that knows nothing of the stand-in: compiled against rtl-sdr.h, linked to the system's librtlsdr. */
#include <rtl-sdr.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static rtlsdr_dev_t *dev;
static uint32_t transfers, bytes;

static void callback(unsigned char *buf, uint32_t len, void *ctx) {
    if (buf[0] == buf[len - 1] && memchr(buf, buf[0] ^ 1, len) == NULL)
        exit(3);
    transfers++;
    bytes += len;
    if (transfers == *(uint32_t *)ctx)
        printf("cancel %d\n", rtlsdr_cancel_async(dev));
}

int main(void) {
    char manufact[256], product[256], serial[256];
    printf("count %u\n", rtlsdr_get_device_count());
    printf("name %s\n", rtlsdr_get_device_name(0));
    printf("strings %d", rtlsdr_get_device_usb_strings(0, manufact, product, serial));
    printf(" %s %s %s\n", manufact, product, serial);
    printf("index %d %d %d\n", rtlsdr_get_index_by_serial("C1"), rtlsdr_get_index_by_serial("C2"),
           rtlsdr_get_index_by_serial(NULL));
    printf("open %d\n", rtlsdr_open(&dev, 0));
    printf("again %d", rtlsdr_get_usb_strings(dev, NULL, NULL, serial));
    printf(" %s\n", serial);

    uint32_t rtl, tuner;
    int got = rtlsdr_get_xtal_freq(dev, &rtl, &tuner);
    printf("xtal %d %u %u\n", got, rtl, tuner);
    printf("set xtal %d %d\n", rtlsdr_set_xtal_freq(dev, 28800100, 28800100), rtlsdr_set_xtal_freq(dev, 27000000, 0));
    uint8_t data[2] = {0, 0};
    printf("eeprom %d %d\n", rtlsdr_read_eeprom(dev, data, 0, 2), rtlsdr_write_eeprom(dev, data, 0, 2));
    printf("tuner %d\n", rtlsdr_get_tuner_type(dev) == RTLSDR_TUNER_R820T);

    int gains[32], count = rtlsdr_get_tuner_gains(dev, NULL), filled = rtlsdr_get_tuner_gains(dev, gains);
    printf("gains %d %d %d..%d\n", count, filled, gains[0], gains[count - 1]);
    printf("manual %d\n", rtlsdr_set_tuner_gain_mode(dev, 1));
    printf("gain %d", rtlsdr_set_tuner_gain(dev, 207));
    printf(" %d\n", rtlsdr_get_tuner_gain(dev));
    printf("if gain %d\n", rtlsdr_set_tuner_if_gain(dev, 1, -30));
    printf("bandwidth %d\n", rtlsdr_set_tuner_bandwidth(dev, 0));
    printf("agc %d\n", rtlsdr_set_agc_mode(dev, 0));
    printf("test mode %d\n", rtlsdr_set_testmode(dev, 0));
    printf("rate %d", rtlsdr_set_sample_rate(dev, 1024000));
    printf(" %u\n", rtlsdr_get_sample_rate(dev));
    printf("bad rate %d\n", rtlsdr_set_sample_rate(dev, 500000));
    printf("correction %d", rtlsdr_set_freq_correction(dev, -7));
    printf(" %d\n", rtlsdr_get_freq_correction(dev));
    printf("frequency %d", rtlsdr_set_center_freq(dev, 507000000u));
    printf(" %u\n", rtlsdr_get_center_freq(dev));
    printf("direct %d", rtlsdr_set_direct_sampling(dev, 0));
    printf(" %d\n", rtlsdr_get_direct_sampling(dev));
    printf("offset %d %d\n", rtlsdr_set_offset_tuning(dev, 1), rtlsdr_get_offset_tuning(dev));
    printf("bias %d %d\n", rtlsdr_set_bias_tee(dev, 0), rtlsdr_set_bias_tee_gpio(dev, 0, 0));

    printf("reset %d\n", rtlsdr_reset_buffer(dev));
    int n_read = 0;
    unsigned char buf[4096];
    printf("sync %d", rtlsdr_read_sync(dev, buf, sizeof buf, &n_read));
    printf(" %d\n", n_read);
    uint32_t wanted = 5;
    int read = rtlsdr_read_async(dev, callback, &wanted, 4, 16384);
    printf("async %d, %d as long\n", read, bytes == transfers * 16384 && transfers >= wanted);
    wanted = transfers + 1;
    printf("wait %d\n", rtlsdr_wait_async(dev, callback, &wanted));
    printf("idle %d\n", rtlsdr_cancel_async(dev));
    printf("close %d\n", rtlsdr_close(dev));
    return 0;
}
