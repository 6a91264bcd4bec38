"""What smartctl says of invented drives: texts as of version 7.3, compared with its reports of emulated ones."""

from typing import Any

START = [
    "smartctl 7.3 2022-02-28 r5338 [x86_64-linux-6.1.0-amd64] (local build)",
    "Copyright (C) 2002-22, Bruce Allen, Christian Franke, www.smartmontools.org",
    "",
    "=== START OF INFORMATION SECTION ===",
]


def answer(text: str = "", *, lines: list[str] | None = None, **fields: Any) -> dict[str, Any]:
    return {"smartctl": {"output": [*START, *(lines or text.splitlines())]}, **fields}


NVME = """\
Model Number:                       TIDELINE ARC 4T
Serial Number:                      KELP0001
Firmware Version:                   2.14

=== START OF SMART DATA SECTION ===
SMART overall-health self-assessment test result: PASSED

SMART/Health Information (NVMe Log 0x02)
Critical Warning:                   0x04
Temperature:                        42 Celsius
Available Spare:                    100%
Available Spare Threshold:          10%
Percentage Used:                    3%
Data Units Read:                    201,526,305 [103 TB]
Data Units Written:                 188,048,213 [96.2 TB]
Host Read Commands:                 660,948,177
Host Write Commands:                251,748,228
Controller Busy Time:               4,612
Power Cycles:                       6
Power On Hours:                     1,241
Unsafe Shutdowns:                   2
Media and Data Integrity Errors:    17
Error Information Log Entries:      1,001
Warning  Comp. Temperature Time:    5
Critical Comp. Temperature Time:    3
Temperature Sensor 1:               42 Celsius
Temperature Sensor 4:               51 Celsius
Thermal Temp. 1 Transition Count:   1
Thermal Temp. 1 Total Time:         84

Error Information (NVMe Log 0x01, 16 of 63 entries)
No Errors Logged
"""
NVME_JSON = {
    "critical_warning": 4,
    "temperature": 42,
    "available_spare": 100,
    "available_spare_threshold": 10,
    "percentage_used": 3,
    "data_units_read": 201526305,
    "data_units_written": 188048213,
    "host_reads": 660948177,
    "host_writes": 251748228,
    "controller_busy_time": 4612,
    "power_cycles": 6,
    "power_on_hours": 1241,
    "unsafe_shutdowns": 2,
    "media_errors": 17,
    "num_err_log_entries": 1001,
    "warning_temp_time": 5,
    "critical_comp_time": 3,
    "temperature_sensors": [42, 0, 0, 51],
}

SATA = """\
Model Family:     Shoal archive drives
Device Model:     SHOAL AR8000
Serial Number:    KELP-S 0007
Firmware Version: 0C.7
User Capacity:    8,001,563,222,016 bytes [8.00 TB]
Sector Sizes:     512 bytes logical, 4096 bytes physical
Rotation Rate:    7200 rpm
SMART support is: Available - device has SMART capability.
SMART support is: Enabled
Power mode is:    ACTIVE or IDLE

=== START OF READ SMART DATA SECTION ===
SMART overall-health self-assessment test result: PASSED

SMART Attributes Data Structure revision number: 16
Vendor Specific SMART Attributes with Thresholds:
ID# ATTRIBUTE_NAME          FLAGS    VALUE WORST THRESH FAIL RAW_VALUE
  1 Raw_Read_Error_Rate     POSR-K   100   100   050    -    0
  5 Reallocated_Sector_Ct   PO--CK   100   100   010    -    16
  9 Power_On_Hours          -O--CK   052   052   000    -    34567
190 Airflow_Temperature_Cel -O---K   069   050   045    Past 31 (Min/Max 20/50)
197 Current_Pending_Sector  -O--CK   100   100   000    -    8
198 Offline_Uncorrectable   ----CK   100   100   000    -    3
199 UDMA_CRC_Error_Count    -O--CK   200   200   000    -    12
                            ||||||_ K auto-keep
                            |||||__ C event count

SMART Extended Self-test Log Version: 1 (1 sectors)
Num  Test_Description    Status                  Remaining  LifeTime(hours)  LBA_of_first_error
# 1  Extended offline    Completed: read failure       90%     34001         123456789
# 2  Short offline       Completed without error       00%     33000         -

SMART Selective self-test log data structure revision number 1
 SPAN  MIN_LBA  MAX_LBA  CURRENT_TEST_STATUS
    1        0        0  Not_testing
"""
SATA_JSON: dict[str, Any] = {
    "device": {"type": "sat", "protocol": "ATA"},
    "model_name": "SHOAL AR8000",
    "serial_number": "KELP-S 0007",
    "firmware_version": "0C.7",
    "user_capacity": {"blocks": 15628053168, "bytes": 8001563222016},
    "smart_status": {"passed": True},
    "power_on_time": {"hours": 34567},
    "temperature": {"current": 31},
    "ata_smart_attributes": {
        "table": [
            {"id": number, "raw": {"value": value, "string": str(value)}}
            for number, value in ((5, 16), (197, 8), (198, 3), (199, 12))
        ]
    },
    "ata_smart_self_test_log": {
        "extended": {
            "table": [
                {
                    "type": {"string": "Extended offline"},
                    "status": {"string": "Completed: read failure", "passed": False},
                    "lifetime_hours": 34001,
                }
            ]
        }
    },
}

SAS = """\
Vendor:               SHOAL
Product:              AR12000S
Revision:             0C07
Compliance:           SPC-4
User Capacity:        12,000,138,625,024 bytes [12.0 TB]
Logical block size:   512 bytes
Rotation Rate:        7200 rpm
Serial number:        KELPSAS00000001
Device type:          disk
Transport protocol:   SAS (SPL-4)
SMART support is:     Available - device has SMART capability.
SMART support is:     Enabled
Temperature Warning:  Enabled

=== START OF READ SMART DATA SECTION ===
SMART Health Status: OK

Current Drive Temperature:     36 C
Drive Trip Temperature:        65 C

Accumulated power on time, hours:minutes 33124:13
Elements in grown defect list: 4

Error counter log:
           Errors Corrected by           Total   Correction     Gigabytes    Total
               ECC          rereads/    errors   algorithm      processed    uncorrected
           fast | delayed   rewrites  corrected  invocations   [10^9 bytes]  errors
read:     512345        2         0    512347     512349      91234.567           5
write:         0        0         3         3          3      81234.567           1

Non-medium error count:       21

SMART Self-test log
Num  Test              Status                 segment  LifeTime  LBA_first_err [SK ASC ASQ]
     Description                              number   (hours)
# 1  Background short  Completed                   -   33124                 - [-   -    -]

Protocol Specific port log page for SAS SSP
relative target port id = 1
  phy identifier = 0
    Invalid DWORD count = 4
    Running disparity error count = 2
    Loss of DWORD synchronization count = 1
    Phy reset problem count = 0
relative target port id = 2
  phy identifier = 1
    Invalid DWORD count = 0
"""
